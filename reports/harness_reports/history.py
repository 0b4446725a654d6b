"""Histories of a chip, a design or a slot: what stands on their pages, worked out before rendering.

The one rule: a page grows with its tables plus its nights, never with their product; each table
is one line and each night one mark.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby

from harness.records import SEVERITY_ORDER, MarginRecord, RunKind, Verdict
from harness.store import (
    History,
    HistoryLine,
    HistoryNight,
    PassRate,
    Selection,
    Store,
    Subjects,
    of_chip,
    of_design,
    of_slot,
)
from harness_reports.looks import Look, Tally, look, tally, worst
from harness_reports.margin_history import MarginHistory, build_margins
from harness_reports.texts import many, share

NIGHTS_LISTED = 30
"""So many of the latest nights and intakes are also listed with their run and counts."""

NEVER = Look("NOT JUDGED", "not-run")


@dataclass(frozen=True)
class Anchor:
    """A text, and the address it leads to, or none."""

    text: str
    address: str


@dataclass(frozen=True)
class ChipSubject:
    """The history of one chip."""

    serial: str


@dataclass(frozen=True)
class DesignSubject:
    """The history of one design on all chips."""

    name: str


@dataclass(frozen=True)
class SlotSubject:
    """The history of one slot of a rack, whatever chips were in it."""

    rack: str
    slot: str


Subject = ChipSubject | DesignSubject | SlotSubject


@dataclass(frozen=True)
class Links:
    """Where a page's links lead; an empty address leaves plain text.

    ``pages`` are those that every page leads to.
    """

    subject: Callable[[Subject], str]
    run: Callable[[str], str]
    pages: tuple[Anchor, ...] = ()


@dataclass(frozen=True)
class TableLine:
    """One table on one chip. ``sure`` is the 95 % interval of the rate in per cent."""

    look: Look
    names: tuple[Anchor, ...]
    first_seen: str
    last_seen: str
    last_changed: str
    judged: int
    rate: str
    sure: str
    untested: int


@dataclass(frozen=True)
class NightMark:
    """One night or intake: its day of the month, its worst verdict, how many tables did not pass.

    ``kind`` is its class in the style.
    """

    day: str
    look: Look
    missed: str
    told: str
    kind: RunKind


@dataclass(frozen=True)
class Month:
    """The nights and intakes of one month (UTC), as ``2026-06``."""

    name: str
    nights: tuple[NightMark, ...]


@dataclass(frozen=True)
class NightLine:
    """One of the latest nights or intakes, with its run."""

    when: str
    what: str
    run: Anchor
    look: Look
    counts: str


@dataclass(frozen=True)
class HistoryPage:
    """The page of one chip, design or slot. ``intakes`` is how many stand among the nights."""

    kind: str
    title: str
    headline: str
    tallies: tuple[Tally, ...]
    what: str
    lines: tuple[TableLine, ...]
    months: tuple[Month, ...]
    legend: tuple[Look, ...]
    intakes: int
    latest: tuple[NightLine, ...]
    margins: MarginHistory
    links: Links


@dataclass(frozen=True)
class SubjectGroup:
    """All chips, all designs, or the slots of one rack."""

    title: str
    anchors: tuple[Anchor, ...]


@dataclass(frozen=True)
class SubjectsPage:
    """The list of everything that has a history."""

    groups: tuple[SubjectGroup, ...]
    links: Links


def selection(subject: Subject) -> Selection:
    """Say to the store which outcomes a history is about."""
    match subject:
        case ChipSubject(serial):
            return of_chip(serial)
        case DesignSubject(name):
            return of_design(name)
        case SlotSubject(rack, slot):
            return of_slot(rack, slot)


def margins_of(store: Store, subject: Subject) -> tuple[MarginRecord, ...]:
    """Read the margins that a history is about, oldest first; a slot's history has none."""
    match subject:
        case ChipSubject(serial):
            return store.margins(chip=serial)
        case DesignSubject(name):
            return store.margins(design=name)
        case SlotSubject():
            return ()


def all_subjects(found: Subjects) -> tuple[Subject, ...]:
    """Make subjects of a store's lists: chips, designs, slots."""
    return (
        *(ChipSubject(serial) for serial in found.chips),
        *(DesignSubject(name) for name in found.designs),
        *(SlotSubject(rack, slot) for rack, slot in found.slots),
    )


def build_history(
    subject: Subject, found: History, links: Links, margins: Sequence[MarginRecord] = ()
) -> HistoryPage:
    """Work out a page: margins, what does not pass now, then the nights, month by month.

    ``margins`` are all that are kept of the subject, oldest first.
    """
    kind, title, what = _heading(subject)
    ordered = sorted(found.lines, key=_rank)
    verdicts = [night_worst(night) for night in found.nights]
    return HistoryPage(
        kind=kind,
        title=title,
        headline=_headline(subject, found, margins),
        tallies=_tallies(ordered),
        what=what,
        lines=tuple(_line(subject, line, links) for line in ordered),
        months=_months(found.nights),
        legend=tuple(look(v) for v in SEVERITY_ORDER if v in verdicts),
        intakes=_intakes(found.nights),
        latest=tuple(_night_line(n, links) for n in reversed(found.nights[-NIGHTS_LISTED:])),
        margins=build_margins(margins),
        links=links,
    )


def build_subjects(subjects: Iterable[Subject], links: Links) -> SubjectsPage:
    """Work out the list of histories: chips, designs, then each rack's slots."""
    titles: dict[str, list[Anchor]] = {"Chips": [], "Designs": []}
    for subject in subjects:
        title, text = _listed(subject)
        titles.setdefault(title, []).append(Anchor(text, links.subject(subject)))
    groups = (SubjectGroup(title, tuple(anchors)) for title, anchors in titles.items() if anchors)
    return SubjectsPage(tuple(groups), links)


def minute(when: datetime | None) -> str:
    """Write a moment to the minute, in UTC; a dash if there is none."""
    return f"{when.astimezone(UTC):%Y-%m-%d %H:%M}" if when is not None else "–"


def day(when: datetime | None) -> str:
    """Write a moment's date, in UTC; a dash if there is none."""
    return f"{when.astimezone(UTC):%Y-%m-%d}" if when is not None else "–"


def night_worst(night: HistoryNight) -> Verdict:
    """Give the worst verdict of a night."""
    return worst(list(night.counts))


def counts_text(night: HistoryNight) -> str:
    """``2 FAIL, 32 PASS``: worst first."""
    return ", ".join(f"{night.counts[v]:,} {v}" for v in SEVERITY_ORDER if v in night.counts)


def _heading(subject: Subject) -> tuple[str, str, str]:
    match subject:
        case ChipSubject(serial):
            return "History of a chip", serial or "no chip serial", "Design and table"
        case DesignSubject(name):
            return "History of a design", name, "Chip and table"
        case SlotSubject(rack, slot):
            return f"History of a slot of rack {rack}", f"Slot {slot}", "Chip, design and table"


def _listed(subject: Subject) -> tuple[str, str]:
    match subject:
        case ChipSubject(serial):
            return "Chips", serial or "no chip serial"
        case DesignSubject(name):
            return "Designs", name
        case SlotSubject(rack, slot):
            return f"Slots of rack {rack}", slot


def _headline(subject: Subject, found: History, margins: Sequence[MarginRecord]) -> str:
    if not found.nights and margins:
        return "No run of it is kept in this store, only searches for its margin."
    if not found.nights:
        return "Nothing is kept of it in this store."
    chips = many(len({line.chip_serial for line in found.lines}), "chip")
    designs = many(len({line.design for line in found.lines}), "design")
    tables = many(len({(line.design, line.table) for line in found.lines}), "table")
    first, last = (day(found.nights[k].started) for k in (0, -1))
    span = f"on {first}" if first == last else f"from {first} to {last}"
    seen = f"{_counted(found.nights)}, {span}"
    match subject:
        case ChipSubject():
            return f"{tables} of {designs}; {seen}."
        case DesignSubject():
            return f"{tables} on {chips}; {seen}."
        case SlotSubject():
            return f"{tables} of {designs} on {chips}; {seen}."


def _counted(nights: Sequence[HistoryNight]) -> str:
    """``5 nights and 1 intake``: an intake is no night."""
    intakes = _intakes(nights)
    kinds = ((len(nights) - intakes, "night"), (intakes, "intake"))
    return " and ".join(many(number, noun) for number, noun in kinds if number)


def _intakes(nights: Sequence[HistoryNight]) -> int:
    return sum(night.kind is RunKind.INTAKE for night in nights)


def _tallies(lines: Sequence[HistoryLine]) -> tuple[Tally, ...]:
    judged = [line.verdict for line in lines if line.verdict is not None]
    rest = len(lines) - len(judged)
    return tally(judged) + ((Tally(NEVER, rest),) if rest else ())


def _rank(line: HistoryLine) -> tuple[int, float, str, str, str]:
    worst_first = len(SEVERITY_ORDER)
    if line.verdict is not None:
        worst_first = SEVERITY_ORDER.index(line.verdict)
    return worst_first, line.rate.high, line.chip_serial, line.design, line.table


def _line(subject: Subject, line: HistoryLine, links: Links) -> TableLine:
    return TableLine(
        look=look(line.verdict) if line.verdict is not None else NEVER,
        names=tuple(_names(subject, line, links)),
        first_seen=day(line.first_seen),
        last_seen=day(line.last_seen),
        last_changed=day(line.last_changed),
        judged=line.rate.tested,
        rate=_rate(line.rate),
        sure=_sure(line.rate),
        untested=line.untested,
    )


def _names(subject: Subject, line: HistoryLine, links: Links) -> Iterable[Anchor]:
    """Name a line by what its page does not say already, the table last."""
    if not isinstance(subject, ChipSubject):
        chip = ChipSubject(line.chip_serial)
        yield Anchor(line.chip_serial or "no chip serial", links.subject(chip))
    if not isinstance(subject, DesignSubject):
        yield Anchor(line.design, links.subject(DesignSubject(line.design)))
    yield Anchor(line.table, "")


def _rate(rate: PassRate) -> str:
    return f"{share(rate.passes / rate.tested)} %" if rate.tested else "–"


def _sure(rate: PassRate) -> str:
    return f"{share(rate.low)} to {share(rate.high)} %" if rate.tested else "–"


def _months(nights: Sequence[HistoryNight]) -> tuple[Month, ...]:
    """Put the nights into months, the latest month first, its nights in their order."""
    months = groupby(nights, lambda night: f"{night.started.astimezone(UTC):%Y-%m}")
    found = [Month(name, tuple(_mark(night) for night in of)) for name, of in months]
    return tuple(reversed(found))


def _mark(night: HistoryNight) -> NightMark:
    aside = ", an intake" if night.kind is RunKind.INTAKE else ""
    missed = sum(count for verdict, count in night.counts.items() if verdict is not Verdict.PASS)
    return NightMark(
        day=f"{night.started.astimezone(UTC):%d}",
        look=look(night_worst(night)),
        missed=f"{missed:,}" if missed else "",
        told=f"{minute(night.started)}{aside}: {counts_text(night)}",
        kind=night.kind,
    )


def _night_line(night: HistoryNight, links: Links) -> NightLine:
    return NightLine(
        when=minute(night.started),
        what="Intake" if night.kind is RunKind.INTAKE else "Night",
        run=Anchor(night.run_id, links.run(night.run_id)),
        look=look(night_worst(night)),
        counts=counts_text(night),
    )
