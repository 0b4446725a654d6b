"""What stands on the pages, worked out before anything is rendered.

The one rule: every sentence and every order is decided here in plain dataclasses; the templates
only set them in HTML, and choose nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate

from harness.records import (
    SEVERITY_ORDER,
    ChipRecord,
    EvidenceCycle,
    MarginRecord,
    Outcome,
    PinCount,
    RunRecord,
    Verdict,
)
from harness_reports.looks import Fact, Look, Tally, look, tally
from harness_reports.margin_view import MarginView, margin_views
from harness_reports.names import chip_folders, waveform_names
from harness_reports.texts import (
    agreement,
    conditions_text,
    duration,
    first_mismatch,
    hertz,
    many,
    moment,
    pin_name,
    timing_word,
)
from harness_reports.timing import Drawing, draw
from harness_reports.trust import chip_headline, trust_of

CYCLES_SHOWN = 12
LINES_SHOWN = 24
"""Failing cycles, and wrong pins in all of them, that a page lists for one table; the JSON file
has all that were kept."""

PINS_SHOWN = 32


@dataclass(frozen=True)
class Finding:
    """All that is shown of one table that did not pass."""

    anchor: str
    look: Look
    outcome: Outcome
    facts: tuple[Fact, ...]
    agreement: str
    cycles: tuple[EvidenceCycle, ...]
    more_cycles: str
    pins: tuple[PinCount, ...]
    drawing: Drawing | None
    waveform: str


@dataclass(frozen=True)
class Line:
    """One table in the list of all; ``anchor`` is empty where there is no more to read."""

    look: Look
    outcome: Outcome
    anchor: str
    rate: str
    first: str
    time: str
    attempts: str


@dataclass(frozen=True)
class ChipPage:
    """The page of one chip."""

    run: RunRecord
    chip: ChipRecord
    look: Look
    headline: str
    tallies: tuple[Tally, ...]
    conditions: tuple[Fact, ...]
    sources: tuple[Fact, ...]
    findings: tuple[Finding, ...]
    lines: tuple[Line, ...]
    margins: tuple[MarginView, ...]
    trust: tuple[str, ...]
    junit: str
    index: str


def build_chip(run: RunRecord, chip: ChipRecord, margins: Sequence[MarginRecord] = ()) -> ChipPage:
    """Work out a chip's page: what did not pass first and whole, then every table in a line.

    Of ``margins`` those that this run measured on this chip are shown; they are compared with
    the earlier ones among them.
    """
    own = [one for one in margins if (one.run_id, one.slot) == (run.run_id, chip.slot)]
    files = waveform_names(chip)
    ordered = sorted(enumerate(chip.outcomes), key=lambda kv: SEVERITY_ORDER.index(kv[1].verdict))
    found = [(k, o) for k, o in ordered if not o.verdict.quiet]
    anchors = {k: f"table-{k + 1}" for k, _ in found}
    folder = chip_folders(run)[chip.slot]
    return ChipPage(
        run=run,
        chip=chip,
        look=look(chip.verdict),
        headline=chip_headline(chip),
        tallies=tally([outcome.verdict for outcome in chip.outcomes]),
        conditions=_chip_facts(run, chip),
        sources=source_facts(run),
        findings=tuple(_finding(o, anchors[k], files) for k, o in found),
        lines=tuple(_list_line(o, anchors.get(k, "")) for k, o in enumerate(chip.outcomes)),
        margins=margin_views(own, margins),
        trust=trust_of(chip),
        junit=f"{folder}.xml",
        index="../../index.html",
    )


def _finding(outcome: Outcome, anchor: str, files: Mapping[tuple[str, str], str]) -> Finding:
    subject = f"{outcome.design} / {outcome.table}"
    drawing = draw(outcome.window, subject, anchor) if outcome.window else None
    shown = _first_cycles(outcome.evidence)
    return Finding(
        anchor=anchor,
        look=look(outcome.verdict),
        outcome=outcome,
        facts=_finding_facts(outcome),
        agreement=agreement(outcome.attempts),
        cycles=shown,
        more_cycles=_more_cycles(outcome, len(shown)),
        pins=outcome.pin_counts[:PINS_SHOWN],
        drawing=drawing if drawing and drawing.strips else None,
        waveform=files.get((outcome.design, outcome.table), ""),
    )


def _finding_facts(outcome: Outcome) -> tuple[Fact, ...]:
    facts = [
        Fact("Cause taken to lie in", outcome.origin.value),
        Fact("First mismatch", first_mismatch(outcome)),
        Fact("Run", f"{many(outcome.cycles, 'cycle')}; {conditions_text(outcome.conditions)}"),
        Fact("Promised by", outcome.design_source),
    ]
    if outcome.waiver is not None:
        waiver, waived = outcome.waiver, outcome.verdict is Verdict.WAIVED
        facts[:0] = [
            Fact("Waived because" if waived else "Waiver that ran out", waiver.reason),
            Fact("Owner", waiver.owner),
            Fact("Ticket", waiver.ticket),
            Fact("Waived until", waiver.expiry),
        ]
    return tuple(fact for fact in facts if fact.value)


def _first_cycles(evidence: Sequence[EvidenceCycle]) -> tuple[EvidenceCycle, ...]:
    """Take whole cycles, at least one, as long as the list stays short enough to read."""
    lines = accumulate(len(cycle.wrong) for cycle in evidence)
    fitting = sum(total <= LINES_SHOWN for total in lines)
    return tuple(evidence[: min(CYCLES_SHOWN, max(1, fitting))])


def _more_cycles(outcome: Outcome, shown: int) -> str:
    if not shown or outcome.mismatches <= shown:
        return ""
    return f"The first {shown} of {many(outcome.mismatches, 'failing cycle')}."


def _list_line(outcome: Outcome, anchor: str) -> Line:
    asked = outcome.conditions
    return Line(
        look=look(outcome.verdict),
        outcome=outcome,
        anchor=anchor,
        rate=f"{hertz(asked.achieved_hz)} {timing_word(asked)}" if asked else "–",
        first=_short_first(outcome),
        time=duration(outcome.seconds) if outcome.attempts else "–",
        attempts=str(len(outcome.attempts)) if outcome.attempts else "–",
    )


def _short_first(outcome: Outcome) -> str:
    if not outcome.evidence or not outcome.evidence[0].wrong:
        return "–"
    first = outcome.evidence[0]
    pin = first.wrong[0]
    return f"cycle {first.cycle:,}, line {first.line}, {pin_name(pin.pin, pin.signal)}"


def _chip_facts(run: RunRecord, chip: ChipRecord) -> tuple[Fact, ...]:
    kind = "virtual: a chip model, no silicon" if chip.virtual else "real board"
    facts = (
        Fact("Chip", chip.chip_serial, "code"),
        Fact("Board", f"{chip.board_serial or 'did not answer'} ({kind})"),
        Fact("Slot and port", f"{chip.slot} on {chip.port}"),
        Fact("Interpreter on the board", chip.interpreter),
        Fact("Agent", _agent(chip)),
    )
    return facts + run_facts(run)


def _agent(chip: ChipRecord) -> str:
    if not chip.agent_version:
        return ""
    how = "cycles timed by hardware" if chip.exact else "cycles paced by software"
    return f"{chip.agent_version}, pins by “{chip.backend}”, {how}"


def run_facts(run: RunRecord) -> tuple[Fact, ...]:
    """Tell what holds for every chip of a run. Terms without a value are left out by the page."""
    finished = moment(run.finished) if run.finished else "not finished"
    return (
        Fact("Shuttle", f"{run.shuttle}, {run.organisation}"),
        Fact("Started", moment(run.started)),
        Fact("Finished", finished),
        Fact(run.kind.capitalize(), run.run_id, "code"),
        Fact("Tool", f"harness {run.tool_version}"),
    )


def source_facts(run: RunRecord) -> tuple[Fact, ...]:
    """Name the files that the run was made from, each with its SHA-256."""
    return (
        Fact(f"Shuttle file {run.shuttle_file}", run.shuttle_sha256, "code"),
        Fact(f"Profile “{run.profile}” {run.profile_file}", run.profile_sha256, "code"),
        Fact(f"Rack “{run.rack}” {run.rack_file}", run.rack_sha256, "code"),
    )
