"""The state of a run for the live page: pure values, computed from a glance at the store.

One rule: nothing unknown is claimed. An unfinished run is under way only if a process of this
computer holds it or an outcome came recently.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from types import MappingProxyType

from harness.errors import many
from harness.rack import LongTable
from harness.records import SEVERITY_ORDER, ChipHeading, Outcome, RunHeading, RunKind, Verdict
from harness.store import Glance, SlotGlance
from harness_reports import Look, Scrubber, Tally, look

FRESH = timedelta(minutes=5)
"""Maximum age of the last outcome of a run that another computer drives."""

MIN_TIMED = 10
"""Minimum number of tables done from which the end is worked out."""

WAITING = Look("WAITING", "not-run")

_DOING_INTAKE = "done in this intake"


class Phase(StrEnum):
    """The phase of a run; an intake is left or given up where a run breaks off or is stopped."""

    UNDER_WAY = "Under way"
    FINISHED = "Finished"
    STOPPED = "Stopped by hand"
    BROKEN_OFF = "Broken off"
    LEFT = "Left"
    GIVEN_UP = "Given up"
    SILENT = "No news"


@dataclass(frozen=True)
class SlotState:
    """One slot: its chip, its verdict so far, and ``done`` of ``tables``.

    ``final`` means that this run will add nothing; until then verdicts are provisional. ``chip``
    and ``latest`` are as shown, without secrets; a PASS has no summary, and one with a cause has
    that and its advice. ``latest`` is the first
    outcome that went wrong, if one did (``failing``). ``going`` is the table that takes long now.
    """

    chip: ChipHeading
    look: Look
    doing: str
    done: int
    tables: int
    final: bool
    tallies: tuple[Tally, ...]
    latest: Outcome | None
    failing: bool
    going: LongTable | None = None


@dataclass(frozen=True)
class RackState:
    """A run and its slots; ``look`` is the worst verdict so far, ``news`` the time of the last.

    ``until`` is when it ends if it goes on as until ``news``; None if that is not known.
    """

    run: RunHeading
    phase: Phase
    look: Look
    headline: str
    news: datetime
    until: datetime | None
    done: int
    tables: int
    slots: tuple[SlotState, ...]


@dataclass(frozen=True)
class Overview:
    """The state of the latest run, if any, the latest runs, and the names of all racks.

    ``verdicts`` are the worst of each run that ended.
    """

    state: RackState | None
    runs: tuple[RunHeading, ...]
    racks: tuple[str, ...]
    verdicts: Mapping[str, Verdict] = field(default_factory=dict)


def phase_of(run: RunHeading, held: bool | None, news: datetime, now: datetime) -> Phase:
    """Return a run's phase. ``held``: by a process of this computer; None if not known."""
    intake = run.kind is RunKind.INTAKE
    if run.finished is not None and not run.cancelled:
        return Phase.FINISHED
    if run.finished is not None:
        return Phase.GIVEN_UP if intake else Phase.STOPPED
    if held is None:
        return Phase.UNDER_WAY if now - news <= FRESH else Phase.SILENT
    if held:
        return Phase.UNDER_WAY
    return Phase.LEFT if intake else Phase.BROKEN_OFF


def rack_state(
    glance: Glance,
    held: bool | None,
    now: datetime,
    going: Mapping[str, LongTable] = MappingProxyType({}),
) -> RackState:
    """Compute what is shown of a run; ``going`` has the slots that are at a long table."""
    ends = [slot.latest.ended for slot in glance.slots if slot.latest is not None]
    news = max([glance.run.started, *ends])
    phase = phase_of(glance.run, held, news, now)
    slots = tuple(
        replace(_slot(slot, phase, glance.run.kind), going=going.get(slot.chip.slot))
        for slot in glance.slots
    )
    done, tables = (sum(getattr(slot, name) for slot in slots) for name in ("done", "tables"))
    return RackState(
        run=glance.run,
        phase=phase,
        look=_worst(slots),
        headline=_headline(glance.run, phase, done, tables, news),
        news=news,
        until=_until(glance.run, phase, done, tables, news),
        done=done,
        tables=tables,
        slots=slots,
    )


def _until(
    run: RunHeading, phase: Phase, done: int, tables: int, news: datetime
) -> datetime | None:
    """Work out when a run ends; the tables of an intake are not known in advance."""
    if phase is not Phase.UNDER_WAY or run.kind is RunKind.INTAKE or not MIN_TIMED <= done < tables:
        return None
    return run.started + (news - run.started) * (tables / done)


_HEADLINES = {
    Phase.UNDER_WAY: "Under way: {counted}.",
    Phase.FINISHED: "Finished: {counted}.",
    Phase.STOPPED: "Stopped by hand: {counted}. “--resume {run_id}” finishes it.",
    Phase.BROKEN_OFF: "Broken off: {counted}; no process is running it. "
    "“--resume {run_id}” finishes it.",
    Phase.LEFT: "Left: {counted}. “harness intake” with its rack file continues it.",
    Phase.GIVEN_UP: "Given up for a new intake: {counted}.",
    Phase.SILENT: "Not finished, and no news since {moment:%Y-%m-%d %H:%M} UTC: {counted}.",
}


def _headline(run: RunHeading, phase: Phase, done: int, tables: int, news: datetime) -> str:
    counted = f"{done:,} of {tables:,} tables done"
    if run.kind is RunKind.INTAKE:  # the total is not known in advance
        counted = f"{many(done, 'table')} done in this intake"
    moment = news.astimezone(UTC)
    return _HEADLINES[phase].format(counted=counted, run_id=run.run_id, moment=moment)


def _slot(glance: SlotGlance, phase: Phase, kind: RunKind) -> SlotState:
    chip, counts, plain = glance.chip, glance.counts, Scrubber().text
    waiting = counts.get(Verdict.NOT_RUN, 0)
    tables = sum(counts.values())
    running = phase in {Phase.UNDER_WAY, Phase.SILENT}
    reported = {v: n for v, n in counts.items() if not (running and v is Verdict.NOT_RUN)}
    for_chip = glance.for_chip & reported.keys()
    return SlotState(
        chip=replace(chip, port=plain(chip.port), trouble=plain(chip.trouble)),
        look=look(chip.worst(for_chip)) if reported or chip.trouble else WAITING,
        doing=_DOING_INTAKE if kind is RunKind.INTAKE else _doing(waiting, tables, running, phase),
        done=tables - waiting,
        tables=tables,
        final=not running,
        tallies=tuple(Tally(look(v), reported[v]) for v in SEVERITY_ORDER if v in reported),
        latest=_latest(glance.wrong or glance.latest),
        failing=glance.wrong is not None,
    )


def _worst(slots: Sequence[SlotState]) -> Look:
    """Return the look of the worst slot; WAITING while nothing is known."""
    shown = [slot.look for slot in slots]
    return next((look(v) for v in SEVERITY_ORDER if look(v) in shown), WAITING)


def _doing(waiting: int, tables: int, running: bool, phase: Phase) -> str:
    if not waiting:
        return "all tables done"
    if running:
        return f"{waiting:,} still waiting" if waiting < tables else "nothing measured yet"
    return f"{waiting:,} never started" if phase is Phase.BROKEN_OFF else f"{waiting:,} not run"


def _latest(outcome: Outcome | None) -> Outcome | None:
    if outcome is None:
        return None
    why = outcome.advice if outcome.cause else outcome.summary
    summary = "" if outcome.verdict is Verdict.PASS else Scrubber().text(why)
    return replace(outcome, summary=summary)
