"""What did not pass on a chip: a section for each table, under the cause that explains it.

The one rule: every finding stands once, the worst first, and the first of each cause is unfolded.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate

from harness.convert import Exchange
from harness.errors import many
from harness.records import EvidenceCycle, Outcome, PinCount, Verdict, Window
from harness_reports.captured import captured
from harness_reports.causes import CauseRow
from harness_reports.looks import Fact
from harness_reports.names import table_anchor
from harness_reports.texts import conditions_text, differs, first_mismatch, rehearsal_text
from harness_reports.timing import AROUND, FAR, NEAR, Drawing, draw
from harness_reports.traffic import shown_exchanges
from harness_reports.values import CycleWords, cycle_words, how_often, reported, slip_lines

MAX_SHOWN_CYCLES = 12
MAX_SHOWN_LINES = 24
"""Maximum number of failing cycles, and of wrong pins in all of them, listed for one table; the
JSON file has the rest."""

MAX_SHOWN_PINS = 32

MIN_PRINTED = 3
"""Number of tables printed in full if no more causes have one each; the list of all tables has
every one in a line, so a chip's record is a dozen sheets and not sixty."""

PROVISIONAL = "provisional: it was not yet compared with other tables, chips and runs"


@dataclass(frozen=True)
class QuotedLine:
    """A line of the table; ``place`` is where links lead, ``failing`` if a cycle there was wrong.

    ``apart``: lines between it and the one before are not quoted.
    """

    place: str
    line: int
    text: str
    failing: bool
    apart: bool


@dataclass(frozen=True)
class FailureSection:
    """One table that did not pass, as shown; ``place`` is its design's, if it has that.

    ``printed``: it is printed even if it is folded.
    """

    anchor: str
    place: str
    outcome: Outcome
    facts: tuple[Fact, ...]
    slips: tuple[str, ...]
    traffic: tuple[Exchange, ...]
    cycles: tuple[CycleWords, ...]
    more_cycles: str
    pins: tuple[PinCount, ...]
    drawings: tuple[Drawing, ...]
    drawn_run: tuple[str, ...]
    waveform: str
    source: tuple[QuotedLine, ...]
    printed: bool = True


@dataclass(frozen=True)
class FindingGroup:
    """The findings that one cause explains, None for those that no cause does.

    ``level`` is that of the findings' headings.
    """

    cause: CauseRow | None
    title: str
    level: int
    failures: tuple[FailureSection, ...]


def finding_groups(
    causes: Sequence[CauseRow],
    outcomes: Iterable[tuple[int, Outcome]],
    places: Mapping[int, str],
    files: Mapping[tuple[str, str], str],
) -> tuple[FindingGroup, ...]:
    """Put the numbered outcomes, worst first, under their causes; one without findings is last."""
    by_key = {row.key: row for row in causes}
    groups: dict[str, list[FailureSection]] = {}
    for number, outcome in outcomes:
        key = outcome.cause if outcome.cause in by_key else ""
        section = _failure(outcome, number, places.get(number, ""), files)
        groups.setdefault(key, []).append(section)
    for key in by_key:
        groups.setdefault(key, [])
    groups = _for_paper(groups)
    unexplained = "Not explained by a cause" if by_key else ""
    return tuple(
        FindingGroup(
            by_key.get(key), "" if key else unexplained, 4 if by_key else 3, tuple(sections)
        )
        for key, sections in groups.items()
    )


def _for_paper(
    groups: Mapping[str, Sequence[FailureSection]],
) -> dict[str, list[FailureSection]]:
    """Choose what is printed: the first of each cause, and the next while those are few."""
    every = [one.anchor for sections in groups.values() for one in sections]
    firsts = [sections[0].anchor for sections in groups.values() if sections]
    whole = [*firsts, *(anchor for anchor in every if anchor not in firsts)]
    whole = whole[: max(MIN_PRINTED, len(firsts))]
    return {
        key: [replace(one, printed=one.anchor in whole) for one in sections]
        for key, sections in groups.items()
    }


def paper_text(groups: Sequence[FindingGroup], name: str) -> str:
    """Say which tables a print leaves out, and where they are; empty if it has all."""
    failures = [failure for group in groups for failure in group.failures]
    whole = sum(failure.printed for failure in failures)
    if whole == len(failures):
        return ""
    return (
        f"Printed in full: {whole} of {many(len(failures), 'table')}, at least one for each cause. "
        f"The others have a line each under “All tables”; the file {name} has their cycles, and "
        "prints those that are open."
    )


def _failure(
    outcome: Outcome,
    number: int,
    place: str,
    files: Mapping[tuple[str, str], str],
) -> FailureSection:
    anchor = table_anchor(number)
    subject = f"{outcome.design} / {outcome.table}"
    window = captured(outcome)
    elsewhere = _elsewhere(outcome, window) if window else {}
    views = (NEAR, AROUND, FAR)
    shown = _first_cycles(outcome.evidence)
    return FailureSection(
        anchor=anchor,
        place=place,
        outcome=outcome,
        facts=_failure_facts(outcome),
        slips=slip_lines(outcome),
        traffic=shown_exchanges(outcome),
        cycles=cycle_words(outcome, shown),
        more_cycles=_more_cycles(outcome, len(shown)),
        pins=outcome.pin_counts[:MAX_SHOWN_PINS],
        drawings=draw(window, subject, anchor, elsewhere, views) if window else (),
        drawn_run=_drawn_run(outcome, elsewhere),
        waveform=files.get((outcome.design, outcome.table), ""),
        source=_source(outcome, anchor),
    )


def _source(outcome: Outcome, anchor: str) -> tuple[QuotedLine, ...]:
    failing = {cycle.line for cycle in outcome.evidence}
    befores = (0, *(one.line for one in outcome.source))
    return tuple(
        QuotedLine(
            f"{anchor}-line-{one.line}",
            one.line,
            one.text,
            one.line in failing,
            one.line > before + 1 > 1,
        )
        for before, one in zip(befores, outcome.source, strict=False)
    )


def _elsewhere(outcome: Outcome, window: Window) -> dict[tuple[int, str], str]:
    """Find what was wrong in the run that is reported, and right when the cycles were read back."""
    waves = {wave.pin: wave for wave in window.waves}
    places = {cycle: k for k, cycle in enumerate(window.cycles)}
    return {
        (bad.cycle, pin.pin): how_often(outcome, bad.cycle, pin.pin) or "wrong"
        for bad in outcome.evidence
        for pin in bad.wrong
        if bad.cycle in places
        and pin.pin in waves
        and not differs(waves[pin.pin], places[bad.cycle])
    }


def _drawn_run(outcome: Outcome, elsewhere: Mapping[tuple[int, str], str]) -> tuple[str, ...]:
    """Say which run is drawn, and how it differs from the one whose failing cycles are listed."""
    shown = reported(outcome.attempts)
    run = f"run {shown.number}" if shown is not None else "the run that is reported"
    text = f"The drawing shows the cycles as they were read back, in a separate run after {run}."
    if not elsewhere:
        return (text,)
    wrong = many(len(elsewhere), "bit")
    marks = (
        f"A broken box: wrong in {run}, right when it was read back ({wrong}). “1 of 3” says in "
        "how many of the table's runs it was wrong; “wrong”, that this is not known of all runs."
    )
    return text, marks


def _failure_facts(outcome: Outcome) -> tuple[Fact, ...]:
    facts = [
        Fact("Likely cause", outcome.origin.value),
        Fact("Verdict", "" if outcome.rules else PROVISIONAL),
        Fact("First mismatch", first_mismatch(outcome), "named"),
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
    run = reported(outcome.attempts)
    which = f" of run {run.number}" if run is not None and len(outcome.attempts) > 1 else ""
    return f"The first {shown} of {many(outcome.mismatches, 'failing cycle')}{which}."
