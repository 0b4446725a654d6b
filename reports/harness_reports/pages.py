"""The pages, worked out before anything is rendered.

The one rule: every sentence and every order is decided here in plain dataclasses; the templates
only set them in HTML, and choose nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate

from harness.convert import Exchange
from harness.errors import many
from harness.records import (
    SEVERITY_ORDER,
    ChipOfRun,
    ChipRecord,
    EvidenceCycle,
    MarginRecord,
    Outcome,
    PinCount,
    RunHeading,
    RunRecord,
    Verdict,
)
from harness_reports.causes import CauseRow, cause_rows
from harness_reports.continuity import ContinuitySection, continuity_section
from harness_reports.looks import Fact
from harness_reports.margin_view import MarginView, margin_views
from harness_reports.names import chip_folders, design_anchor, waveform_names
from harness_reports.texts import conditions_text, first_mismatch, moment, rehearsal_text
from harness_reports.timing import Drawing, draw
from harness_reports.traffic import shown_exchanges
from harness_reports.trust import trust_of
from harness_reports.values import bus_lines, slip_lines

MAX_SHOWN_CYCLES = 12
MAX_SHOWN_LINES = 24
"""Maximum number of failing cycles, and of wrong pins in all of them, listed for one table; the
JSON file has the rest."""

MAX_SHOWN_PINS = 32

PROVISIONAL = "provisional: it was not yet compared with other tables, chips and runs"


@dataclass(frozen=True)
class FailureSection:
    """One table that did not pass, as shown; ``place`` is its design's, if it has that."""

    anchor: str
    place: str
    outcome: Outcome
    cause: CauseRow | None
    facts: tuple[Fact, ...]
    values: tuple[str, ...]
    slips: tuple[str, ...]
    traffic: tuple[Exchange, ...]
    cycles: tuple[EvidenceCycle, ...]
    more_cycles: str
    pins: tuple[PinCount, ...]
    drawing: Drawing | None
    waveform: str


@dataclass(frozen=True)
class ChipPage:
    """The page of one chip; ``name`` is that of its folder and its files.

    ``places`` are those of the designs, by the number of the table that each begins at: its worst.
    """

    run: RunHeading
    chip: ChipRecord
    name: str
    conditions: tuple[Fact, ...]
    sources: tuple[Fact, ...]
    causes: tuple[CauseRow, ...]
    failures: tuple[FailureSection, ...]
    places: Mapping[int, str]
    continuity: ContinuitySection | None
    margins: tuple[MarginView, ...]
    trust: tuple[str, ...]


def build_chip(
    run: RunRecord | ChipOfRun, chip: ChipRecord, margins: Sequence[MarginRecord] = ()
) -> ChipPage:
    """Work out a chip's page: what did not pass first and whole, then every table in a line.

    Of ``margins`` those that this run measured on this chip are shown; they are compared with
    the earlier ones among them.
    """
    own = [one for one in margins if (one.run_id, one.slot) == (run.run_id, chip.slot)]
    files = waveform_names(chip)
    causes = tuple(row for row in cause_rows(run.causes) if chip.slot in row.slots)
    by_key = {row.key: row for row in causes}
    ordered = sorted(
        enumerate(chip.outcomes, 1), key=lambda kv: SEVERITY_ORDER.index(kv[1].verdict)
    )
    firsts = {outcome.design: number for number, outcome in reversed(ordered)}
    places = {number: design_anchor(design) for design, number in firsts.items()}
    return ChipPage(
        run=run,
        chip=chip,
        name=chip_folders(run.chips)[chip.slot],
        conditions=_chip_facts(run, chip),
        sources=source_facts(run),
        causes=causes,
        failures=tuple(
            _failure(o, k, places.get(k, ""), by_key.get(o.cause), files)
            for k, o in ordered
            if not o.verdict.quiet
        ),
        places=places,
        continuity=continuity_section(run.continuity, chip.slot),
        margins=margin_views(own, margins),
        trust=trust_of(chip),
    )


def _failure(
    outcome: Outcome,
    number: int,
    place: str,
    cause: CauseRow | None,
    files: Mapping[tuple[str, str], str],
) -> FailureSection:
    anchor = f"table-{number}"
    subject = f"{outcome.design} / {outcome.table}"
    drawing = draw(outcome.window, subject, anchor) if outcome.window else None
    shown = _first_cycles(outcome.evidence)
    return FailureSection(
        anchor=anchor,
        place=place,
        outcome=outcome,
        cause=cause,
        facts=_failure_facts(outcome),
        values=bus_lines(outcome),
        slips=slip_lines(outcome),
        traffic=shown_exchanges(outcome),
        cycles=shown,
        more_cycles=_more_cycles(outcome, len(shown)),
        pins=outcome.pin_counts[:MAX_SHOWN_PINS],
        drawing=drawing if drawing and drawing.strips else None,
        waveform=files.get((outcome.design, outcome.table), ""),
    )


def _failure_facts(outcome: Outcome) -> tuple[Fact, ...]:
    facts = [
        Fact("Likely cause", outcome.origin.value),
        Fact("Verdict", "" if outcome.rules else PROVISIONAL),
        Fact("First mismatch", first_mismatch(outcome)),
        Fact("Run", f"{many(outcome.cycles, 'cycle')}; {conditions_text(outcome.conditions)}"),
        Fact("Rehearsal", rehearsal_text(outcome.rehearsal)),
        Fact("Source", outcome.design_source),
    ]
    if outcome.waiver is not None and outcome.verdict is not Verdict.ERROR:
        waiver, waived = outcome.waiver, outcome.verdict is Verdict.WAIVED
        facts[:0] = [
            Fact("Waived because" if waived else "Expired waiver", waiver.reason),
            Fact("Owner", waiver.owner),
            Fact("Ticket", waiver.ticket),
            Fact("Waived until", waiver.expiry),
        ]
    return tuple(facts)


def _first_cycles(evidence: Sequence[EvidenceCycle]) -> tuple[EvidenceCycle, ...]:
    """Take whole cycles, at least one, as long as the list stays short enough to read."""
    lines = accumulate(len(cycle.wrong) for cycle in evidence)
    fitting = sum(total <= MAX_SHOWN_LINES for total in lines)
    return tuple(evidence[: min(MAX_SHOWN_CYCLES, max(1, fitting))])


def _more_cycles(outcome: Outcome, shown: int) -> str:
    if not shown or outcome.mismatches <= shown:
        return ""
    return f"The first {shown} of {many(outcome.mismatches, 'failing cycle')}."


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
