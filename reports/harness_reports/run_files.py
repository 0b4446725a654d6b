"""The files of a run's reports: their names, and what makes each of them.

The one rule: a name is looked up among the names that the record gives, never taken as a path.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import PurePosixPath

from harness.judge import NightChanges
from harness.records import (
    ChipHeading,
    ChipOfRun,
    ChipRecord,
    MarginRecord,
    Outcome,
    RunHeading,
    RunOverview,
    RunRecord,
)
from harness.store import undisturbed
from harness_reports.html import RUN_FILES, chip_html, index_html, page_policy
from harness_reports.junit import Attached, Known, chip_junit, run_junit_pieces
from harness_reports.names import chip_folders, drawn_outcomes, waveform_names
from harness_reports.run_json import run_json_pieces
from harness_reports.secrets import Scrubber
from harness_reports.waveform import waveform

Maker = Callable[[], Iterable[bytes]]
"""Makes a file's content in pieces, once; those of a large file as they are asked for."""

INDEX, JSON, JUNIT = "index.html", "run.json", "junit.xml"
_KINDS = {".html": "text/html", ".xml": "application/xml", ".json": "application/json"}


@dataclass(frozen=True)
class RunFile:
    """A file's content, its media type, and the content policy it is to be shown under.

    The content comes in pieces, once; those of a large file are made as they are asked for.
    """

    pieces: Iterable[bytes]
    media_type: str
    policy: str


def files_of(
    run: RunRecord,
    known: Known = (),
    changes: NightChanges | None = None,
    margins: Sequence[MarginRecord] = (),
    place: str = "",
) -> dict[str, Maker]:
    """Map every file's name to what makes it, the record first and the index last.

    ``place`` is the folder of the files, as those who read the JUnit files will name it.
    Nothing is scrubbed here: secrets must be taken out first.
    """
    files: dict[str, Maker] = {
        JSON: lambda: (piece.encode("ascii") for piece in run_json_pieces(run, margins))
    }
    folders = chip_folders(run.chips)
    attached: dict[tuple[str, str, str], str] = {}
    for chip in run.chips:
        name = folders[chip.slot]
        attached |= _attached(chip, name, place)
        files |= chip_files(run, chip, name, known, margins, place)
    files[JUNIT] = lambda: run_junit_pieces(run, known, changes, attached)
    files[INDEX] = lambda: [index_html(run.overview, changes, margins)]
    return files


def chip_files(
    run: RunRecord | ChipOfRun,
    chip: ChipRecord,
    name: str,
    known: Known,
    margins: Sequence[MarginRecord],
    place: str = "",
) -> dict[str, Maker]:
    """Map the files of one chip, whose folder is called ``name``, to what makes them."""
    attached = _attached(chip, name, place)
    files: dict[str, Maker] = {
        f"{name}.xml": lambda: [chip_junit(run, chip, known, attached)],
        **{file: partial(_waveform, run, o) for file, o in drawn_outcomes(chip).items()},
        f"{name}.html": lambda: [chip_html(run, chip, margins)],
    }
    return {f"chips/{name}/{file}": make for file, make in files.items()}


def _attached(chip: ChipRecord, name: str, place: str) -> Attached:
    folder = PurePosixPath(place, "chips", name)
    return {(chip.slot, *key): str(folder / file) for key, file in waveform_names(chip).items()}


def _waveform(run: RunHeading, outcome: Outcome) -> list[bytes]:
    return [waveform(run, outcome)]


def chip_pages(chips: Sequence[ChipHeading]) -> Mapping[str, str]:
    """Map each slot to the name of its chip's page, as ``chips/SP2-0001/SP2-0001.html``."""
    return {slot: f"chips/{name}/{name}.html" for slot, name in _folders(chips).items()}


def slot_of_file(chips: Sequence[ChipHeading], name: str) -> str | None:
    """Return the slot that a file is about; None for a file of the whole run or an unknown one."""
    parts = PurePosixPath(name).parts
    folders = {folder: slot for slot, folder in _folders(chips).items()}
    return folders.get(parts[1]) if len(parts) == 3 and parts[0] == "chips" else None


def run_file(
    run: RunRecord | RunOverview | ChipOfRun, name: str, margins: Sequence[MarginRecord] = ()
) -> RunFile | None:
    """Make the file of a run that ``write_run`` would write under ``name``; None if there is none.

    An overview has the index alone, and one chip of a run the chip's files.
    """
    with undisturbed():
        shown = Scrubber().record(run)
        files = _files(shown, [Scrubber().record(one) for one in margins])
        if name not in files:
            return None
        pieces = files[name]()
    kind = _KINDS.get(PurePosixPath(name).suffix, "text/plain")
    policy = page_policy(*RUN_FILES) if kind == "text/html" else "default-src 'none'"
    return RunFile(pieces, kind, policy)


def _files(
    run: RunRecord | RunOverview | ChipOfRun, margins: Sequence[MarginRecord]
) -> dict[str, Maker]:
    match run:
        case RunRecord():
            return files_of(run, margins=margins)
        case RunOverview():
            return {INDEX: lambda: [index_html(run, None, margins)]}
        case ChipOfRun(chip=chip):
            return chip_files(run, chip, chip_folders(run.chips)[chip.slot], (), margins)


def _folders(chips: Sequence[ChipHeading]) -> dict[str, str]:
    """Map each slot to its chip's folder, named by what may be shown of the record."""
    shown = [Scrubber().record(chip) for chip in chips]
    names = chip_folders(shown)
    return {chip.slot: names[seen.slot] for chip, seen in zip(chips, shown, strict=True)}
