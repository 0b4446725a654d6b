"""The files of a run's reports: their names, and what makes each of them.

The one rule: a name is looked up among the names that the record gives, never taken as a path.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import PurePosixPath

from harness.records import (
    ChipHeading,
    ChipOfRun,
    ChipRecord,
    DesignOfRun,
    Outcome,
    RunHeading,
    RunOverview,
    RunRecord,
)
from harness.store import undisturbed
from harness_reports.html import (
    RUN_FILES,
    chip_html,
    design_html,
    index_html,
    page_policy,
    since_html,
)
from harness_reports.junit import Attached, chip_junit, run_junit
from harness_reports.names import (
    chip_folders,
    chip_pages,
    design_page,
    drawn_outcomes,
    since_page,
    waveform_names,
)
from harness_reports.run_json import run_json_pieces
from harness_reports.secrets import Scrubber
from harness_reports.waveform import waveform
from harness_reports.ways import ALONE, Beyond

PartOfRun = RunRecord | RunOverview | ChipOfRun | DesignOfRun
"""What is read of a run for one of its files."""

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


def files_of(run: RunRecord, beyond: Beyond = ALONE, place: str = "") -> dict[str, Maker]:
    """Map every file's name to what makes it, the record first and the index last.

    ``place`` is the folder of the files, as those who read the JUnit files will name it.
    Nothing is scrubbed here: secrets must be taken out first.
    """
    files: dict[str, Maker] = {
        JSON: lambda: (piece.encode("ascii") for piece in run_json_pieces(run, beyond.margins))
    }
    folders = chip_folders(run.chips)
    attached: dict[tuple[str, str, str], str] = {}
    for chip in run.chips:
        name = folders[chip.slot]
        attached |= _attached(chip, name, place)
        files |= chip_files(run, chip, name, beyond, place)
    files[JUNIT] = lambda: run_junit(run, beyond.night, attached)
    for design in run.designs:
        files |= design_files(design, beyond)
    if beyond.since is not None:
        since = beyond.since
        files[since_page(since.baseline)] = lambda: [since_html(run.overview, since, beyond)]
    files[INDEX] = lambda: [index_html(run.overview, beyond)]
    return files


def design_files(run: DesignOfRun, beyond: Beyond) -> dict[str, Maker]:
    """Map the page of one design of a run to what makes it."""
    return {design_page(run.design): lambda: [design_html(run, beyond)]}


def chip_files(
    run: RunRecord | ChipOfRun,
    chip: ChipRecord,
    name: str,
    beyond: Beyond,
    place: str = "",
) -> dict[str, Maker]:
    """Map the files of one chip, whose folder is called ``name``, to what makes them."""
    attached = _attached(chip, name, place)
    files: dict[str, Maker] = {
        f"{name}.xml": lambda: [chip_junit(run, chip, beyond.night, attached)],
        **{file: partial(_waveform, run, o) for file, o in drawn_outcomes(chip).items()},
        f"{name}.html": lambda: [chip_html(run, chip, beyond)],
    }
    return {f"chips/{name}/{file}": make for file, make in files.items()}


def _attached(chip: ChipRecord, name: str, place: str) -> Attached:
    folder = PurePosixPath(place, "chips", name)
    return {(chip.slot, *key): str(folder / file) for key, file in waveform_names(chip).items()}


def _waveform(run: RunHeading, outcome: Outcome) -> list[bytes]:
    return [waveform(run, outcome)]


def slot_of_file(chips: Sequence[ChipHeading], name: str) -> str | None:
    """Return the slot that a file is about; None for any other file."""
    folder = PurePosixPath(name).parent.as_posix()
    pages = shown_pages(chips)
    return next((s for s, page in pages.items() if page.rpartition("/")[0] == folder), None)


def design_of_file(designs: Sequence[str], name: str) -> str | None:
    """Return the design that a file is about; None for any other file."""
    text = Scrubber().text
    return next((design for design in designs if design_page(text(design)) == name), None)


def run_of_file(runs: Sequence[str], name: str) -> str | None:
    """Return the earlier run that a file compares its run with; None for any other file."""
    return next((run for run in runs if since_page(run) == name), None)


def shown_pages(chips: Sequence[ChipHeading]) -> Mapping[str, str]:
    """Map each slot to its chip's page, named by what may be shown of the record."""
    shown = [Scrubber().record(chip) for chip in chips]
    pages = chip_pages(shown).values()
    return {chip.slot: page for chip, page in zip(chips, pages, strict=True)}


def run_file(run: PartOfRun, name: str, beyond: Beyond = ALONE) -> RunFile | None:
    """Make the file of a run that ``write_run`` would write under ``name``; None if there is none.

    An overview has the index alone, and one chip or design of a run its own files.
    """
    with undisturbed():
        files = _files(Scrubber().record(run), scrubbed(beyond))
        if name not in files:
            return None
        pieces = files[name]()
    kind = _KINDS.get(PurePosixPath(name).suffix, "text/plain")
    policy = page_policy(*RUN_FILES) if kind == "text/html" else "default-src 'none'"
    return RunFile(pieces, kind, policy)


def scrubbed(beyond: Beyond) -> Beyond:
    """Take secrets out of the records of other runs; addresses stay."""
    own = Scrubber().record
    margins = tuple(map(own, beyond.margins))
    return replace(beyond, since=own(beyond.since), night=own(beyond.night), margins=margins)


def _files(run: PartOfRun, beyond: Beyond) -> dict[str, Maker]:
    match run:
        case RunRecord():
            return files_of(run, beyond)
        case DesignOfRun():
            return design_files(run, beyond)
        case RunOverview():
            return {INDEX: lambda: [index_html(run, beyond)]}
        case ChipOfRun(chip=chip):
            folder = chip_folders(run.chips)[chip.slot]
            return chip_files(run, chip, folder, beyond)
