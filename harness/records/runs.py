"""Runs and their chips, with a type for each degree of completeness.

One rule: a heading has identities and times and no outcomes; code that needs outcomes takes a type
that has them, so that a partly read run is never written or judged as a whole one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from harness.grouping import grouped
from harness.records.causes import Cause, CauseKind
from harness.records.continuity import SlotPins
from harness.records.outcome import Outcome
from harness.records.verdict import Verdict, worst


@dataclass(frozen=True)
class ChipHeading:
    """One chip in one slot in one run: who answered.

    ``trouble`` is why the slot could not be used at all (empty when it could). Identity fields
    are empty when no board answered.
    """

    slot: str
    chip_serial: str
    board_serial: str
    port: str
    virtual: bool
    agent_version: str
    interpreter: str
    backend: str
    exact: bool
    trouble: str

    def worst(self, verdicts: Iterable[Verdict]) -> Verdict:
        """The worst verdict of the chip's tables; ERROR if the slot could not be used."""
        return worst([*verdicts, *([Verdict.ERROR] if self.trouble else ())])


@dataclass(frozen=True)
class TableVerdict:
    """One table of a design, and its verdict. ``counts``: see :attr:`Outcome.counts`."""

    design: str
    table: str
    verdict: Verdict
    counts: bool


@dataclass(frozen=True)
class ChipOverview(ChipHeading):
    """One chip with the verdict of every table; of each verdict but PASS the first outcome."""

    tables: tuple[TableVerdict, ...]
    firsts: tuple[Outcome, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst verdict that counts, as :meth:`ChipHeading.worst` says."""
        return self.worst(table.verdict for table in self.tables if table.counts)


def firsts_of(outcomes: Iterable[Outcome]) -> tuple[Outcome, ...]:
    """The first outcome of each verdict but PASS, of those that count and of those that do not."""
    firsts: dict[tuple[Verdict, bool], Outcome] = {}
    for outcome in outcomes:
        if outcome.verdict is not Verdict.PASS:
            firsts.setdefault((outcome.verdict, outcome.counts), outcome)
    return tuple(firsts.values())


@dataclass(frozen=True)
class ChipRecord(ChipHeading):
    """One chip in one slot in one run: who answered, and every outcome.

    ``trouble`` is why the slot could not be used at all (empty when it could). Identity fields
    are empty when no board answered.
    """

    outcomes: tuple[Outcome, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst verdict that counts, as :meth:`ChipHeading.worst` says."""
        return self.worst(outcome.verdict for outcome in self.outcomes if outcome.counts)

    @property
    def overview(self) -> ChipOverview:
        """The same, reduced to an overview."""
        tables = tuple(TableVerdict(o.design, o.table, o.verdict, o.counts) for o in self.outcomes)
        mine = {name: value for name, value in vars(self).items() if name != "outcomes"}
        return ChipOverview(**mine, tables=tables, firsts=firsts_of(self.outcomes))


class RunKind(StrEnum):
    """What a run is: the tables of a rack, or the intake of new chips on its boards.

    An intake is evidence on its chips. It is not a night of the rack, so nothing is compared with
    it, and only ``harness intake`` continues it.
    """

    RUN = "run"
    INTAKE = "intake"


@dataclass(frozen=True)
class RunHeading:
    """One run of the tool: when, and from which files.

    ``finished`` is None while it runs or if it was killed. ``shuttle_file``, ``profile_file`` and
    ``rack_file`` are names without folders.
    """

    run_id: str
    kind: RunKind
    started: datetime
    finished: datetime | None
    tool_version: str
    shuttle: str
    organisation: str
    shuttle_file: str
    shuttle_sha256: str
    profile: str
    profile_file: str
    profile_sha256: str
    rack: str
    rack_file: str
    rack_sha256: str
    cancelled: bool


@dataclass(frozen=True)
class RunOverview(RunHeading):
    """One run for an overview: every verdict, and only the evidence that an overview refers to."""

    chips: tuple[ChipOverview, ...]
    causes: tuple[Cause, ...]
    continuity: tuple[SlotPins, ...]


@dataclass(frozen=True)
class DesignOfRun(RunOverview):
    """One design of a run on all chips: its outcomes whole, and every verdict of the run."""

    design: str
    outcomes: tuple[Outcome, ...]


@dataclass(frozen=True)
class ChipOfRun(RunHeading):
    """One whole chip of a run, and the headings of all ``chips`` of the run.

    ``not_passed`` are the slots of the run whose verdict is not good. ``continuity`` has the test
    of the chip's slot only, if there was one.
    """

    chips: tuple[ChipHeading, ...]
    not_passed: tuple[str, ...]
    chip: ChipRecord
    causes: tuple[Cause, ...]
    continuity: tuple[SlotPins, ...]


@dataclass(frozen=True)
class RunRecord(RunHeading):
    """One run of the tool. ``finished`` is None while it runs or if it was killed.

    ``shuttle_file``, ``profile_file`` and ``rack_file`` are names without folders.
    """

    chips: tuple[ChipRecord, ...]
    causes: tuple[Cause, ...]
    continuity: tuple[SlotPins, ...]

    @property
    def outcomes(self) -> tuple[Outcome, ...]:
        """The outcomes of all chips."""
        return tuple(outcome for chip in self.chips for outcome in chip.outcomes)

    @property
    def evidence(self) -> tuple[Outcome, ...]:
        """The outcomes of all chips, and those that only the continuity tests have."""
        return self.outcomes + tuple(extra for pins in self.continuity for extra in pins.extras)

    @property
    def not_passed(self) -> tuple[str, ...]:
        """The slots whose verdict is not good."""
        return tuple(chip.slot for chip in self.chips if not chip.verdict.good)

    @property
    def unnamed_troubles(self) -> tuple[ChipRecord, ...]:
        """The chips whose board could not be used, and no cause says so."""
        kind = CauseKind.BOARD_UNUSABLE
        causes = (cause for cause in self.causes if kind in {c.kind for c in cause.candidates})
        named = {slot for cause in causes for slot in cause.slots}
        return tuple(chip for chip in self.chips if chip.trouble and chip.slot not in named)

    @property
    def overview(self) -> RunOverview:
        """The same, reduced to an overview."""
        return RunOverview(**{**vars(self), "chips": tuple(chip.overview for chip in self.chips)})

    @property
    def designs(self) -> tuple[DesignOfRun, ...]:
        """The same, design by design."""
        overview = vars(self.overview)
        outcomes = grouped((outcome.design, outcome) for outcome in self.outcomes)
        return tuple(
            DesignOfRun(**overview, design=design, outcomes=tuple(own))
            for design, own in outcomes.items()
        )
