"""One file of a run's reports, made on demand: the names are those that ``write`` gives them.

The one rule: a name is looked up among the names that the record gives, never taken as a path.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePosixPath

from harness.records import ChipRecord, MarginRecord, RunRecord
from harness.store import undisturbed
from harness_reports.html import chip_html, index_html, style_policy
from harness_reports.junit import chip_junit, run_junit_pieces
from harness_reports.names import chip_folders, waveform_names
from harness_reports.run_json import run_json_pieces
from harness_reports.secrets import Scrubber
from harness_reports.waveform import waveform

_KINDS = {".html": "text/html", ".xml": "application/xml", ".json": "application/json"}


@dataclass(frozen=True)
class RunFile:
    """A file's content, its media type, and the content policy it is to be shown under.

    The content comes in pieces, once; those of a large file are made as they are asked for.
    """

    pieces: Iterable[bytes]
    media_type: str
    policy: str


def chip_pages(run: RunRecord) -> Mapping[str, str]:
    """Map each slot to the name of its chip's page, as ``chips/SP2-0001/SP2-0001.html``."""
    return {slot: f"chips/{name}/{name}.html" for slot, name in _folders(run).items()}


def slot_of_file(run: RunRecord, name: str) -> str | None:
    """Tell which slot a file is about; None for a file of the whole run, or no file of it.

    The run's outcomes are not looked at.
    """
    parts = PurePosixPath(name).parts
    folders = {folder: slot for slot, folder in _folders(run).items()}
    return folders.get(parts[1]) if len(parts) == 3 and parts[0] == "chips" else None


def run_file(run: RunRecord, name: str, margins: Sequence[MarginRecord] = ()) -> RunFile | None:
    """Make the file of a run that ``write_run`` would write under ``name``; None if there is none.

    For a chip's file the other chips need no outcomes.
    """
    with undisturbed():
        shown = Scrubber().record(run)
        pieces = _pieces(shown, name, [Scrubber().record(one) for one in margins])
    if pieces is None:
        return None
    kind = _KINDS.get(PurePosixPath(name).suffix, "text/plain")
    policy = style_policy("style.css") if kind == "text/html" else "default-src 'none'"
    return RunFile(pieces, kind, policy)


def _folders(run: RunRecord) -> dict[str, str]:
    """Map each slot to its chip's folder, named by what may be shown of the record."""
    bare = replace(run, chips=tuple(replace(chip, outcomes=()) for chip in run.chips))
    shown = Scrubber().record(bare)
    names = chip_folders(shown)
    pairs = zip(run.chips, shown.chips, strict=True)
    return {chip.slot: names[seen.slot] for chip, seen in pairs}


def _pieces(run: RunRecord, name: str, margins: Sequence[MarginRecord]) -> Iterable[bytes] | None:
    match name:
        case "index.html":
            return (index_html(run, None, margins),)
        case "junit.xml":
            return run_junit_pieces(run)
        case "run.json":
            return (piece.encode("ascii") for piece in run_json_pieces(run, margins))
    slot = slot_of_file(run, name)
    chip = next((chip for chip in run.chips if chip.slot == slot), None)
    if chip is None:
        return None
    data = _chip_data(run, chip, PurePosixPath(name).name, margins)
    return None if data is None else (data,)


def _chip_data(
    run: RunRecord, chip: ChipRecord, file: str, margins: Sequence[MarginRecord]
) -> bytes | None:
    folder = chip_folders(run)[chip.slot]
    if file == f"{folder}.html":
        return chip_html(run, chip, margins)
    if file == f"{folder}.xml":
        return chip_junit(run, chip)
    names = waveform_names(chip)
    for outcome in chip.outcomes:
        if names.get((outcome.design, outcome.table)) == file and outcome.window is not None:
            return waveform(run, outcome, outcome.window)
    return None
