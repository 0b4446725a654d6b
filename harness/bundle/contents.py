"""What is in a bundle about one chip, made from the stored record and the inputs handed in.

The one rule: everything follows from the arguments, so that the same run gives the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from harness.errors import BundleError
from harness.records import ChipRecord, RunRecord
from harness_reports import (
    chip_html,
    chip_junit,
    drawn_outcomes,
    mismatches_csv,
    run_json,
    ticket_markdown,
    waveform,
)

FORMAT = "harness-bundle"
SCHEMA = 1
"""Version of the bundle's form. History: 1, the first."""

_FORM = [FORMAT, SCHEMA]

ABOUT, RUN, TICKET = "bundle.json", "run.json", "ticket.md"
INPUTS, WAVES = "inputs", "waves"
"""Names of the files that a reader of a bundle starts from, and the folders."""


@dataclass(frozen=True)
class BundleInputs:
    """The files that were run, by their name below ``inputs/``.

    ``altered`` maps names of files from which secrets were taken out to the SHA-256 of the file
    as it was run.
    """

    files: Mapping[str, bytes]
    altered: Mapping[str, str]


def bundle_files(run: RunRecord, inputs: BundleInputs) -> dict[str, bytes]:
    """Return every file of a bundle but the manifest.

    ``run`` has the one chip and the outcomes that the bundle is about, without secrets.
    """
    (chip,) = run.chips
    files = {
        "report.html": chip_html(run, chip),
        "junit.xml": chip_junit(run, chip),
        "mismatches.csv": mismatches_csv(chip),
        RUN: run_json(run).encode("ascii"),
        TICKET: ticket_markdown(run, chip).encode("utf-8"),
        ABOUT: _about(run, chip, inputs),
    }
    files |= {f"{WAVES}/{name}": waveform(run, o) for name, o in drawn_outcomes(chip).items()}
    return files | {f"{INPUTS}/{name}": data for name, data in inputs.files.items()}


def one_chip(run: RunRecord, chip: ChipRecord, design: str = "") -> RunRecord:
    """Return the run with this chip only, and only one design's outcomes if one is named."""
    kept = tuple(o for o in chip.outcomes if not design or o.design == design)
    return replace(run, chips=(replace(chip, outcomes=kept),))


def altered_inputs(files: Mapping[str, bytes], place: Path) -> dict[str, str]:
    """Return what a bundle's own heading says of inputs that are not byte for byte as run.

    Raises BundleError if the heading is not that of a bundle this tool reads.
    """
    try:
        about: Any = json.loads(files.get(ABOUT, b""))
    except (ValueError, RecursionError):
        about = None
    if not isinstance(about, dict) or [about.get(k) for k in ("format", "schema")] != _FORM:
        what = f"{ABOUT} does not say that this is a bundle of schema {SCHEMA}"
        advice = "give a file that `harness bundle` made, with this version of the tool"
        raise BundleError.of("not-a-bundle", place, what, advice)
    altered = about.get("without_secrets")
    found = altered if isinstance(altered, dict) else {}
    return {str(name): str(value) for name, value in found.items()}


def _about(run: RunRecord, chip: ChipRecord, inputs: BundleInputs) -> bytes:
    designs = dict.fromkeys(outcome.design for outcome in chip.outcomes)
    about = {
        "format": FORMAT,
        "schema": SCHEMA,
        "run": run.run_id,
        "chip": chip.chip_serial,
        "slot": chip.slot,
        "verdict": chip.verdict.value,
        "designs": list(designs),
        "versions": {
            "tool": run.tool_version,
            "agent": chip.agent_version,
            "interpreter": chip.interpreter,
            "pins": chip.backend,
        },
        "as_run": {
            "shuttle_sha256": run.shuttle_sha256,
            "profile_sha256": run.profile_sha256,
            "rack_sha256": run.rack_sha256,
        },
        "without_secrets": {name: inputs.altered[name] for name in sorted(inputs.altered)},
    }
    return (json.dumps(about, indent=1) + "\n").encode("ascii")
