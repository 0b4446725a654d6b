"""Every reason is given in some case, goes with its verdict, and stands in the reference."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import pytest

from harness.errors import (
    BoardLost,
    Cancelled,
    Contention,
    HarnessError,
    ModelMissing,
    PortUnavailable,
    TableUnfit,
    ToolFault,
)
from harness.jobs.run import planned_chip
from harness.judge import Baseline, KnownVerdict, changes, unusable
from harness.rack import Job
from harness.records import Outcome, Reason, RunRecord, Verdict
from harness.rehearse import Key
from harness.shuttle import Design
from harness.store import Store
from harness.virtual import BoardFault
from harness.virtual.faults import DeadPad, NetBridge, NetStuck, OpenPin, OtherShuttle, ShortedPins
from tests.unit.blame import racks
from tests.unit.blame.test_swaps import night, settled
from tests.unit.intake.test_tables import Lab, bad_chip, board, lab
from tests.unit.judge.samples import OUT1, REHEARSED, FunctionSession, case, chip_of, good_chip
from tests.unit.judge.test_verdicts import outcome_of, reads_low, stuck_high, waiver
from tests.unit.rack.test_slots import work
from tests.unit.store.samples import NOON, heading

PAGE = Path(__file__).parents[2] / "reports" / "README.md"
GOOD = chip_of("PK-01", good_chip)
UNPLUGGED = BoardLost("unplugged")


@dataclass
class Raising(FunctionSession):
    """A session in which no design can be selected."""

    error: HarnessError = UNPLUGGED

    def select(self, design: Design) -> None:
        del design
        raise self.error


def could_not_run(error: HarnessError) -> Outcome:
    return unusable(case(), error, NOON)


def last_of(*sessions: FunctionSession | HarnessError) -> Outcome:
    """The last table of a slot whose board answers with these sessions."""
    return work(sessions, tuple("abcdef"), patience_s=0.0).outcomes[-1]


def unstable_of(*answers: Callable[[int, int], int]) -> Outcome:
    return outcome_of(FunctionSession(answers))


def damaged(store: Store) -> Outcome:
    store.start_run(replace(heading(), chips=(GOOD,)))
    with closing(sqlite3.connect(store.place)) as raw:
        raw.execute("UPDATE outcomes SET body = '{}'")
        raw.commit()
    return store.run("r1").chips[0].outcomes[0]


def last_kept(found: Lab) -> Outcome:
    return found.bench.record().outcomes[-1]


def stopped_after_failure(store: Store) -> Outcome:
    found = lab(store, board(bad_chip))
    found.tables("stop")
    return last_kept(found)


def moved(store: Store) -> Outcome:
    found = lab(store, board())
    found.tables()
    found.bench.moved(1)
    return last_kept(found)


def broke_off(store: Store) -> Outcome:
    rack, mine = lab(store).rack, case()
    job = Job(mine.design, mine.spec, mine.pattern, REHEARSED)
    return planned_chip(rack, rack.slots[0], [job]).outcomes[0]


def blamed(reason: Reason, run: RunRecord, rehearsed: Mapping[Key, bool] = racks.GOOD) -> Outcome:
    """The first outcome for this reason once a run is settled."""
    result = racks.settled(run, rehearsed)
    return next(outcome for outcome in result.outcomes if outcome.reason is reason)


def on_board(*faults: BoardFault) -> racks.Wrong:
    return racks.Wrong(board=faults)


def bridged(*designs: tuple[str, str, str]) -> racks.Wrong:
    return racks.Wrong(chip=tuple(NetBridge(*names) for names in designs))


CRC16 = ("crc16", "check")
BRIDGE = ("crc16", "rem[3]", "rem[12]")
OTHERS = ("present80", "text[4]", "text[9]"), ("chachaqr", "a[3]", "a[9]")
SPOILED = ("aessbox", "directed")
WITHOUT_SPOILED = {key: True for key in racks.KEYS if key != SPOILED}
RUNS: dict[Reason, Callable[[], RunRecord]] = {
    Reason.CHIP_DEFECT: lambda: racks.rack(bridged(BRIDGE)),
    Reason.CHIP_OR_DESIGN: lambda: racks.run_of(racks.answers(bridged(BRIDGE))),
    Reason.WIRING_NOT_PROVEN: lambda: racks.run_of(racks.answers(bridged(BRIDGE), keys=(CRC16,))),
    Reason.DESIGN_ALIKE: lambda: racks.rack(*[bridged(BRIDGE)] * 3),
    Reason.DESIGN_MARGIN: lambda: racks.rack(*[bridged(BRIDGE)] * 2),
    Reason.UNSTABLE_HERE: lambda: racks.rack(
        racks.Wrong(chip=(NetStuck("alu181", "mode", 1, 0.02),))
    ),
    Reason.WIRING_OPEN: lambda: racks.rack(on_board(OpenPin("in4"))),
    Reason.CONTACT_SUSPECTED: lambda: racks.rack(on_board(OpenPin("out3", probability=0.05))),
    Reason.BOARD_SUSPECTED: lambda: racks.rack(on_board(ShortedPins("out2", "out3"))),
    Reason.PROFILE_SUSPECTED: lambda: racks.rack(*[on_board(ShortedPins("out2", "out3"))] * 3),
    Reason.WRONG_CHIP: lambda: racks.rack(racks.Wrong(chip=(OtherShuttle(1),))),
    Reason.NOT_SETTLED: lambda: racks.rack(bridged(BRIDGE, *OTHERS)),
}


def blamed_in(reason: Reason, _: Store) -> Outcome:
    return blamed(reason, RUNS[reason]())


def exchanged(reason: Reason, chip: racks.Wrong, board: racks.Wrong) -> Outcome:
    """The first outcome for this reason after chip P left slot A1 for A2, and Q came."""
    chips, boards = {"P": chip}, {"A1": board}
    before = night("r1", chips, boards, "P", "Q", "R")
    result = settled(night("r2", chips, boards, "Q", "P", "R"), before)
    return next(outcome for outcome in result.outcomes if outcome.reason is reason)


CASES: dict[Reason, Callable[[Store], Outcome]] = {
    Reason.FOLLOWS_CHIP: lambda _: exchanged(
        Reason.FOLLOWS_CHIP, racks.Wrong(chip=(DeadPad("out3"),)), racks.NOTHING
    ),
    Reason.STAYS_WITH_BOARD: lambda _: exchanged(
        Reason.STAYS_WITH_BOARD,
        racks.NOTHING,
        on_board(ShortedPins("out2", "out3"), OpenPin("in6")),
    ),
    Reason.AS_EXPECTED: lambda _: outcome_of(FunctionSession()),
    Reason.SAME_MISMATCH: lambda _: outcome_of(FunctionSession([stuck_high])),
    Reason.ANSWERS_DIFFER: lambda _: unstable_of(stuck_high, good_chip, reads_low),
    Reason.FIRST_RUN_DIFFERS: lambda _: unstable_of(stuck_high, good_chip),
    Reason.PINS_OPEN: lambda _: outcome_of(FunctionSession([reads_low], floating=1 << OUT1)),
    Reason.LINK_LOST: lambda _: outcome_of(FunctionSession([UNPLUGGED])),
    Reason.TABLE_UNFIT: lambda _: could_not_run(TableUnfit("65 rows are too many")),
    Reason.CONTENTION: lambda _: could_not_run(Contention("both drive dq")),
    Reason.NO_MODEL: lambda _: could_not_run(ModelMissing("no netlist")),
    Reason.TOOL_FAULT: lambda _: could_not_run(ToolFault("IndexError")),
    Reason.RECORD_DAMAGED: damaged,
    Reason.WAIVED: lambda _: outcome_of(FunctionSession([stuck_high]), waivers=(waiver(),)),
    Reason.RUN_STOPPED: lambda _: last_of(Raising(error=Cancelled("stopped"))),
    Reason.RUN_BROKE_OFF: broke_off,
    Reason.BOARD_UNUSABLE: lambda _: last_of(PortUnavailable("gone")),
    Reason.LINK_LOST_BEFORE: lambda _: last_of(*(FunctionSession([UNPLUGGED]) for _ in range(5))),
    Reason.FAULT_BEFORE: lambda _: last_of(
        *(Raising(error=ToolFault("IndexError")) for _ in range(5))
    ),
    Reason.STOPPED_AFTER_FAILURE: stopped_after_failure,
    Reason.CHIP_MOVED: moved,
    Reason.TABLE_FAILS_REHEARSAL: lambda _: blamed(
        Reason.TABLE_FAILS_REHEARSAL,
        racks.rack(spoiled=SPOILED),
        {**WITHOUT_SPOILED, SPOILED: False},
    ),
    Reason.TABLE_ALIKE: lambda _: blamed(
        Reason.TABLE_ALIKE, racks.rack(spoiled=SPOILED), WITHOUT_SPOILED
    ),
    **{reason: partial(blamed_in, reason) for reason in RUNS},
}


@pytest.mark.parametrize("reason", CASES)
def test_a_case_gives_the_reason_with_a_verdict_of_its_own(reason: Reason, tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as store:
        outcome = CASES[reason](store)
    assert outcome.reason is reason
    assert outcome.verdict in reason.verdicts
    assert bool(outcome.advice) is bool(reason.advice)


def test_a_table_that_only_the_baseline_has_is_no_part_of_the_night() -> None:
    known = KnownVerdict("A1", "PK-09", "follow", "all", Verdict.PASS, "", 0)
    (lost,) = changes(
        replace(heading(), chips=(GOOD,)), Baseline("r0", NOON, "cd", NOON, "", (known,))
    ).untested
    assert (lost.reason, (lost.now,)) == (Reason.NOT_PART, Reason.NOT_PART.verdicts)


def test_no_reason_is_without_a_case() -> None:
    assert {*CASES, Reason.NOT_PART} == set(Reason)


def test_the_reference_lists_every_reason_and_no_other() -> None:
    part = PAGE.read_text(encoding="utf-8").partition("## Reasons\n")[2].partition("\n## ")[0]
    rows = [line for line in part.splitlines() if line.startswith("| `")]
    assert rows == [
        f"| `{reason}` | {', '.join(reason.verdicts)} | {reason.origin} | {reason.meaning} |"
        for reason in Reason
    ]
