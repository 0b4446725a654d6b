"""The pages, worked out before anything is rendered.

The one rule: every sentence and every order is decided here in plain dataclasses; the templates
only set them in HTML, and choose nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.errors import many
from harness.records import (
    SEVERITY_ORDER,
    ChipOfRun,
    ChipRecord,
    RunHeading,
    RunRecord,
)
from harness_reports.causes import cause_rows, leads
from harness_reports.continuity import ContinuitySection, continuity_section
from harness_reports.distribution import lots_of_run
from harness_reports.findings import FindingGroup, finding_groups, paper_text
from harness_reports.looks import Fact
from harness_reports.margin_view import MarginView, margin_views
from harness_reports.names import (
    chip_folders,
    chip_name,
    chip_pages,
    design_anchor,
    waveform_names,
)
from harness_reports.texts import moment
from harness_reports.trust import trust_of
from harness_reports.ways import ALONE, Anchor, Beyond, Sibling, Ways, chip_ways


@dataclass(frozen=True)
class Contents:
    """A line of a page's contents: what it is about, and links to the places."""

    term: str
    links: tuple[Anchor, ...]


@dataclass(frozen=True)
class ChipPage:
    """The page of one chip; ``name`` is that of its folder and its files.

    ``leads`` are the causes found on it, said first. ``places`` are those of the designs, by the
    number of the table that each begins at: its worst. ``paper`` says what a print leaves out.
    """

    run: RunHeading
    chip: ChipRecord
    name: str
    conditions: tuple[Fact, ...]
    sources: tuple[Fact, ...]
    leads: tuple[Anchor, ...]
    contents: tuple[Contents, ...]
    groups: tuple[FindingGroup, ...]
    paper: str
    places: Mapping[int, str]
    continuity: ContinuitySection | None
    margins: tuple[MarginView, ...]
    trust: tuple[str, ...]
    ways: Ways


def build_chip(run: RunRecord | ChipOfRun, chip: ChipRecord, beyond: Beyond = ALONE) -> ChipPage:
    """Work out a chip's page: what did not pass first and whole, then every table in a line."""
    margins = beyond.margins
    own = [one for one in margins if (one.run_id, one.slot) == (run.run_id, chip.slot)]
    files = waveform_names(chip)
    causes = tuple(row for row in cause_rows(run.causes) if chip.slot in row.slots)
    ordered = sorted(
        enumerate(chip.outcomes, 1), key=lambda kv: SEVERITY_ORDER.index(kv[1].verdict)
    )
    firsts = {outcome.design: number for number, outcome in reversed(ordered)}
    places = {number: design_anchor(design) for design, number in firsts.items()}
    failing = [(number, outcome) for number, outcome in ordered if not outcome.verdict.quiet]
    groups = finding_groups(causes, failing, places, files)
    continuity = continuity_section(run.continuity, chip.slot)
    folder = chip_folders(run.chips)[chip.slot]
    views = margin_views(own, margins, lots_of_run(run.run_id, margins))
    return ChipPage(
        run=run,
        chip=chip,
        name=folder,
        conditions=_chip_facts(run, chip),
        sources=source_facts(run),
        leads=leads(causes, chip.slot),
        contents=_contents(chip, groups, margins=bool(views), continuity=continuity is not None),
        groups=groups,
        paper=paper_text(groups, f"{folder}.html"),
        places=places,
        continuity=continuity,
        margins=views,
        trust=trust_of(chip),
        ways=_ways(run, chip, beyond),
    )


def _ways(run: RunRecord | ChipOfRun, chip: ChipRecord, beyond: Beyond) -> Ways:
    pages, bad = chip_pages(run.chips), run.not_passed
    chips = [Sibling(chip_name(one), pages[one.slot], one.slot in bad) for one in run.chips]
    return chip_ways(run, chip, chips, list(pages).index(chip.slot), beyond)


def _contents(
    chip: ChipRecord, groups: Sequence[FindingGroup], *, margins: bool, continuity: bool
) -> tuple[Contents, ...]:
    """List the places of the page, those of what did not pass by design; causes are in the head."""
    failures = [failure for group in groups for failure in group.failures]
    counts = Counter(failure.outcome.design for failure in failures)
    designs = [
        Anchor(f"{design} ({number})" if number > 1 else design, f"#{design_anchor(design)}")
        for design, number in counts.items()
    ]
    sections = (
        (bool(chip.outcomes), f"All {many(len(chip.outcomes), 'table')}", "#all"),
        (continuity, "Continuity test", "#continuity"),
        (margins, "Margins", "#margins"),
        (True, "Conditions", "#conditions"),
        (True, "Input files", "#sources"),
        (True, "How far a pass can be trusted", "#trust"),
    )
    rest = [Anchor(title, address) for there, title, address in sections if there]
    lines = (("Did not pass", designs), ("Also here", rest))
    return tuple(Contents(term, tuple(links)) for term, links in lines if links)


def _chip_facts(run: RunHeading, chip: ChipRecord) -> tuple[Fact, ...]:
    kind = "virtual: a chip model, not silicon" if chip.virtual else "real board"
    facts = (
        Fact("Chip", chip.chip_serial, "code"),
        Fact("Board", f"{chip.board_serial or 'did not answer'} ({kind})"),
        Fact("Slot and port", f"{chip.slot} on {chip.port}"),
        Fact("Interpreter", chip.interpreter),
        Fact("Agent", _agent(chip)),
    )
    return facts + run_facts(run)


def _agent(chip: ChipRecord) -> str:
    if not chip.agent_version:
        return ""
    how = "cycles timed by hardware" if chip.exact else "cycles paced by software"
    return f"{chip.agent_version}, pins by “{chip.backend}”, {how}"


def run_facts(run: RunHeading) -> tuple[Fact, ...]:
    """Give what holds for every chip of a run. Terms without a value are left out by the page."""
    finished = moment(run.finished) if run.finished else "not finished"
    return (
        Fact("Shuttle", f"{run.shuttle}, {run.organisation}"),
        Fact("Started", moment(run.started)),
        Fact("Finished", finished),
        Fact(run.kind.capitalize(), run.run_id, "code"),
        Fact("Tool", f"harness {run.tool_version}"),
    )


def source_facts(run: RunHeading) -> tuple[Fact, ...]:
    """Name the files that the run was made from, each with its SHA-256."""
    return (
        Fact(f"Shuttle file {run.shuttle_file}", run.shuttle_sha256, "code"),
        Fact(f"Profile “{run.profile}” {run.profile_file}", run.profile_sha256, "code"),
        Fact(f"Rack “{run.rack}” {run.rack_file}", run.rack_sha256, "code"),
    )
