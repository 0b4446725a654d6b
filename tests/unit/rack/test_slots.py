"""Slots at work, on sessions that answer from a function and a sink that only remembers."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import pytest

from harness.board import Capture, RunConditions
from harness.errors import (
    BoardLost,
    BoardMisbehaved,
    BoardSilent,
    Cancelled,
    HarnessError,
    HostMisuse,
    LinkError,
    PortUnavailable,
    StoreError,
)
from harness.judge import Case, RetryPolicy
from harness.rack import (
    BoardSession,
    Event,
    Observer,
    Opener,
    RunMeans,
    Slot,
    SlotFinished,
    SlotRecovering,
    SlotWorker,
    StopSwitch,
    TableJudged,
    run_slots,
)
from harness.rack.power import PowerCycle
from harness.records import ChipRecord, Outcome, SlotPins, Verdict
from harness.shuttle import Design
from harness.table import NO_CYCLES, Cycles, Pattern
from tests.unit.judge.samples import OUT1, FunctionSession, case, follow_pattern, good_chip


@dataclass
class Memory:
    """A sink and an observer in one list, in the order in which things happened."""

    chips: list[ChipRecord] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    pins: list[SlotPins] = field(default_factory=list)
    seen: list[str] = field(default_factory=list)
    recovering: list[str] = field(default_factory=list)

    def means(self, opener: Opener, stop: StopSwitch, observe: Observer | None = None) -> RunMeans:
        """What a slot runs with that keeps and tells everything here."""
        keeps = self.record_chip, self.record_outcome, self.record_pins
        return RunMeans(opener, *keeps, RetryPolicy(), stop, observe or self.observe)

    def record_chip(self, chip: ChipRecord) -> None:
        self.chips.append(chip)

    def record_outcome(self, outcome: Outcome) -> None:
        self.outcomes.append(outcome)
        self.seen.append(f"stored {outcome.design}")

    def record_pins(self, pins: SlotPins) -> None:
        self.pins.append(pins)
        if pins.extras:
            self.seen.append(f"stored {pins.extras[-1].design} as extra")

    def observe(self, event: Event) -> None:
        if isinstance(event, TableJudged):
            self.seen.append(f"told {event.outcome.design}")
        if isinstance(event, SlotRecovering):
            self.recovering.append(event.text)
        if isinstance(event, SlotFinished):
            self.seen.append("finished")


def cases(*designs: str) -> list[Case]:
    plain = case()
    return [replace(plain, design=replace(plain.design, name=name)) for name in designs]


def wrong_chip(cycle: int, drive: int) -> int:
    return ~good_chip(cycle, drive) & 0xFF


def work(
    sessions: Sequence[BoardSession | HarnessError],
    designs: tuple[str, ...] = ("a", "b", "c"),
    board: str = "WB-01",
    power: PowerCycle | None = None,
    patience_s: float = 5.0,
    extras: tuple[str, ...] = (),
) -> Memory:
    """Run one slot whose board answers with these sessions, one per connection."""
    memory = Memory()
    waiting = iter(sessions)
    slot = Slot("A1", "port", board, "PK-01", power_cycle=power, patience_s=patience_s)

    def opener(slot: Slot) -> BoardSession:
        found = next(waiting)
        if isinstance(found, HarnessError):
            raise found
        return found

    stop = StopSwitch()
    worker = SlotWorker(
        slot,
        cases(*designs),
        memory.means(opener, stop),
        {},
        None,
        SlotPins("A1", tuple(f"{name}/all" for name in extras), (), ()),
        cases(*extras),
    )
    run_slots({worker.slot: worker.run}, stop)
    return memory


def verdicts(memory: Memory) -> list[Verdict]:
    return [outcome.verdict for outcome in memory.outcomes]


def test_every_outcome_is_stored_before_anybody_is_told() -> None:
    memory = work([FunctionSession()], ("a", "b"))
    assert memory.seen == ["stored a", "told a", "stored b", "told b", "finished"]


def test_the_boards_identity_is_kept_and_the_board_is_left() -> None:
    session = FunctionSession()
    memory = work([session])
    assert memory.chips[-1].agent_version == "1"
    assert memory.chips[-1].outcomes == ()
    assert session.closed == 1
    assert session.selected == ["a", "b", "c"]


def test_all_tables_of_a_design_run_after_one_selection() -> None:
    session = FunctionSession()
    assert verdicts(work([session], ("a", "a", "b"))) == [Verdict.PASS] * 3
    assert session.selected == ["a", "b"]


def test_a_slot_without_tables_touches_no_board() -> None:
    memory = work([], (), extras=("c",))
    assert (memory.seen, memory.recovering) == (["finished"], [])


def test_tables_of_the_continuity_test_that_nobody_asked_for_run_first_and_are_kept_apart() -> None:
    session = FunctionSession()
    memory = work([session], ("a",), extras=("c", "d"))
    assert session.selected == ["c", "d", "a"]
    assert memory.seen == [
        "stored c as extra",
        "stored d as extra",
        "stored a",
        "told a",
        "finished",
    ]
    assert [one.design for one in memory.pins[-1].extras] == ["c", "d"]


def test_a_board_that_is_lost_in_the_continuity_test_is_what_the_slot_cannot_use() -> None:
    memory = work([PortUnavailable("port is busy")], ("a",), patience_s=0.0, extras=("c",))
    assert memory.chips[-1].trouble == "slot A1, port port: port is busy"
    assert [one.verdict for one in memory.pins[-1].extras] == [Verdict.NOT_RUN]
    assert verdicts(memory) == [Verdict.NOT_RUN]


def test_a_board_that_cannot_be_reached_is_trouble_and_no_table_is_run() -> None:
    memory = work([PortUnavailable("port is busy")], patience_s=0.0)
    assert memory.chips[-1].trouble == "slot A1, port port: port is busy"
    assert verdicts(memory) == [Verdict.NOT_RUN] * 3
    assert memory.outcomes[0].summary == "Not run: port is busy"


def test_a_board_that_is_another_than_the_rack_file_says_is_not_used() -> None:
    session = FunctionSession()
    memory = work([session], board="WB-09")
    assert "the board reports WB-01, the rack file says WB-09" in memory.chips[-1].trouble
    assert (session.closed, session.runs) == (1, [])


@pytest.mark.parametrize("error", [BoardLost("unplugged"), BoardSilent("hangs")])
def test_a_table_that_lost_its_link_runs_again_from_its_start_and_says_so(
    error: LinkError,
) -> None:
    first = FunctionSession([good_chip, good_chip, error])
    second = FunctionSession()
    memory = work([first, second])
    assert verdicts(memory) == [Verdict.PASS] * 3
    assert second.selected == ["b", "c"]
    assert (first.closed, second.closed) == (1, 1)
    again = [outcome.summary.partition(" The link was lost once")[2] for outcome in memory.outcomes]
    assert again == ["", ", and the table was run again from its start.", ""]
    assert f"the link was lost in b/{memory.outcomes[1].table}, which" in memory.recovering[0]


def test_nothing_of_a_run_that_was_cut_short_is_in_the_outcome() -> None:
    first = FunctionSession([wrong_chip, BoardLost("gone")])
    memory = work([first, FunctionSession()], ("a",))
    (outcome,) = memory.outcomes
    assert (outcome.verdict, outcome.mismatches, len(outcome.attempts)) == (Verdict.PASS, 0, 1)


@pytest.mark.parametrize(
    ("later", "verdict", "attempts"),
    [(wrong_chip, Verdict.FAIL, [4] * 6), (good_chip, Verdict.UNSTABLE, [4, 4, 4, 0])],
)
def test_runs_that_were_complete_before_the_link_was_lost_are_judged_with_the_later_ones(
    later: Callable[[int, int], int], verdict: Verdict, attempts: list[int]
) -> None:
    first = FunctionSession([wrong_chip] * 3 + [BoardLost("gone in the probe")])
    (outcome,) = work([first, FunctionSession([later])], ("a",)).outcomes
    assert outcome.verdict is verdict
    assert [attempt.mismatches for attempt in outcome.attempts] == attempts


def test_a_table_that_loses_the_link_twice_is_error_and_the_rest_runs() -> None:
    lost = BoardLost("unplugged")
    memory = work([FunctionSession([lost]), FunctionSession([lost]), FunctionSession()])
    assert verdicts(memory) == [Verdict.ERROR, Verdict.PASS, Verdict.PASS]


def test_a_link_lost_time_and_again_leaves_the_rest_not_run() -> None:
    lost = BoardLost("unplugged")
    memory = work([FunctionSession([lost]) for _ in range(4)])
    assert verdicts(memory) == [Verdict.ERROR, Verdict.ERROR, Verdict.NOT_RUN]
    assert "lost again (unplugged)" in memory.outcomes[2].summary


def test_a_board_that_misbehaves_in_a_table_makes_it_an_error_at_once() -> None:
    memory = work([FunctionSession([BoardMisbehaved("out of memory")]), FunctionSession()])
    assert verdicts(memory) == [Verdict.ERROR, Verdict.PASS, Verdict.PASS]


def test_a_board_that_is_back_within_its_patience_is_found_again() -> None:
    gone = PortUnavailable("gone")
    memory = work([FunctionSession([BoardLost("unplugged")]), gone, gone, FunctionSession()])
    assert verdicts(memory) == [Verdict.PASS] * 3


@pytest.mark.parametrize(
    "error",
    [
        BoardLost("unplugged in the upload"),
        BoardMisbehaved("no prompt"),
        BoardSilent("silent"),
        PortUnavailable("no such port"),
    ],
)
def test_a_board_has_its_patience_from_the_first_contact_on(error: LinkError) -> None:
    memory = work([error, PortUnavailable("gone"), FunctionSession()])
    assert verdicts(memory) == [Verdict.PASS] * 3
    assert memory.recovering == [f"{error}; trying for 5 s"]
    assert all("lost" not in outcome.summary for outcome in memory.outcomes)


def test_another_board_at_the_same_port_is_not_taken_for_the_one_that_left() -> None:
    other = FunctionSession()
    other.identity = replace(other.identity, board_serial="WB-02")
    memory = work([FunctionSession([BoardLost("unplugged")]), other], board="")
    assert verdicts(memory) == [Verdict.ERROR, Verdict.NOT_RUN, Verdict.NOT_RUN]
    assert "the board reports WB-02, before it was WB-01" in memory.chips[-1].trouble


def test_serial_numbers_of_boards_are_compared_without_regard_to_case() -> None:
    assert verdicts(work([FunctionSession()], board="wb-01")) == [Verdict.PASS] * 3


POWER = PowerCycle((sys.executable, "-c", ""), wait_s=1.0)


def test_a_board_that_hangs_is_power_cycled_once_and_the_outcome_says_so() -> None:
    silent = BoardSilent("silent")
    gone = PortUnavailable("gone")
    memory = work([FunctionSession([silent]), silent, gone, FunctionSession()], power=POWER)
    assert verdicts(memory) == [Verdict.PASS] * 3
    assert "The board did not answer, so its power was cycled by `" in memory.outcomes[0].summary
    assert "power" not in memory.outcomes[1].summary
    assert [text.partition(" (")[0] for text in memory.recovering[1:2]] == ["the board hangs"]


def test_a_board_that_hangs_from_the_start_is_power_cycled_too() -> None:
    memory = work([BoardSilent("silent"), FunctionSession()], power=POWER)
    assert verdicts(memory) == [Verdict.PASS] * 3
    assert "its power was cycled by" in memory.outcomes[0].summary


def test_a_board_that_hangs_on_says_what_was_tried() -> None:
    memory = work([BoardSilent("silent")] * 2, power=replace(POWER, wait_s=0.0))
    assert verdicts(memory) == [Verdict.NOT_RUN] * 3
    assert memory.chips[-1].trouble.startswith(
        "slot A1, port port: silent; its power was cycled by `"
    )


def test_a_board_that_hangs_without_a_power_command_names_the_key() -> None:
    memory = work([BoardSilent("silent")], patience_s=0.0)
    assert memory.chips[-1].trouble == (
        "slot A1, port port: silent; or name a command in the rack file that switches it off and "
        'on ("power_cycle")'
    )


def test_a_table_that_the_board_cannot_take_does_not_cost_the_session() -> None:
    session = FunctionSession([HostMisuse("too long"), good_chip])
    memory = work([session])
    assert verdicts(memory) == [Verdict.ERROR, Verdict.PASS, Verdict.PASS]


def test_a_board_that_does_not_come_back_is_trouble_for_the_rest() -> None:
    lost = BoardLost("unplugged")
    memory = work([FunctionSession([lost]), PortUnavailable("gone")], patience_s=0.0)
    assert verdicts(memory) == [Verdict.ERROR, Verdict.NOT_RUN, Verdict.NOT_RUN]
    assert memory.outcomes[0].summary == (
        "Could not be tested: unplugged. It did not come back: gone."
    )
    assert memory.chips[-1].trouble.endswith("gone")


class WaitingSession(FunctionSession):
    """A session whose second table, after two runs of the first, runs until it is cancelled."""

    def __init__(self, reached: threading.Event) -> None:
        super().__init__()
        self._reached = reached
        self._cancelled = threading.Event()

    def cancel(self) -> None:
        self._cancelled.set()

    def run(
        self, pattern: Pattern, conditions: RunConditions, *, window: Cycles = NO_CYCLES
    ) -> Capture:
        if len(self.runs) == 2:
            self._reached.set()
            assert self._cancelled.wait(10)
            raise Cancelled("stopped")
        return super().run(pattern, conditions, window=window)


def test_stopping_keeps_what_was_measured_and_marks_the_rest() -> None:
    memory, stop, reached = Memory(), StopSwitch(), threading.Event()
    session = WaitingSession(reached)
    worker = SlotWorker(
        Slot("A1", "port", "", "PK-01"),
        cases("a", "b", "c"),
        memory.means(lambda _: session, stop),
        {},
    )

    def stop_when_reached() -> None:
        assert reached.wait(10)
        stop.stop()

    stopper = threading.Thread(target=stop_when_reached)
    stopper.start()
    run_slots({worker.slot: worker.run}, stop)
    stopper.join()
    assert verdicts(memory) == [Verdict.PASS, Verdict.NOT_RUN, Verdict.NOT_RUN]
    assert memory.outcomes[1].summary == "Not run: the run was stopped"
    assert session.closed == 1


def test_the_first_eight_failing_tables_of_a_slot_have_a_long_window() -> None:
    """Each has 40 cycles; later tables have the 17 around their first mismatch."""
    memory = Memory()
    session = FunctionSession([lambda _cycle, drive: good_chip(0, drive) ^ 1 << OUT1])
    table = follow_pattern(repeat=(1, 30, 8, 1))
    failing = [replace(one, pattern=table) for one in cases(*"abcdefghij")]
    means = memory.means(lambda _: session, StopSwitch())
    SlotWorker(Slot("A1", "port", "", "PK-01"), failing, means, {}).run()
    windows = [outcome.long_window for outcome in memory.outcomes]
    assert [window and window.cycles for window in windows] == [40] * 8 + [9] * 2
    assert windows[-1] is not None
    assert windows[-1].cut == (
        "31 later cycles are not kept: 8 tables of the slot already have a long window in this run"
    )


class FullMemory(Memory):
    """A sink whose disk is full from the second outcome on."""

    def record_outcome(self, outcome: Outcome) -> None:
        if self.outcomes:
            raise StoreError("disk is full")
        super().record_outcome(outcome)


def test_results_that_cannot_be_kept_stop_the_run_and_are_raised() -> None:
    memory, stop = FullMemory(), StopSwitch()
    session = FunctionSession()
    worker = SlotWorker(
        Slot("A1", "port", "", "PK-01"),
        cases("a", "b", "c"),
        memory.means(lambda _: session, stop),
        {},
    )
    with pytest.raises(StoreError, match="disk is full"):
        run_slots({worker.slot: worker.run}, stop)
    assert stop.stopped
    assert (len(memory.outcomes), session.closed) == (1, 1)


class HangingSession(FunctionSession):
    """A session whose board hangs; the run is stopped while it is waited for."""

    def __init__(self, stop: StopSwitch) -> None:
        super().__init__([BoardSilent("silent")])
        self._stop = stop

    def run(
        self, pattern: Pattern, conditions: RunConditions, *, window: Cycles = NO_CYCLES
    ) -> Capture:
        self._stop.stop()
        return super().run(pattern, conditions, window=window)


def test_a_board_that_hangs_when_the_run_is_stopped_is_not_opened_again() -> None:
    memory, stop, opened = Memory(), StopSwitch(), list[str]()

    def opener(slot: Slot) -> BoardSession:
        opened.append(slot.name)
        if len(opened) > 1:
            raise BoardSilent("silent")
        return HangingSession(stop)

    slot = Slot("A1", "port", "", "PK-01", power_cycle=POWER)
    worker = SlotWorker(slot, cases("a", "b"), memory.means(opener, stop), {})
    run_slots({worker.slot: worker.run}, stop)
    assert opened == ["A1"]
    assert [outcome.summary for outcome in memory.outcomes] == ["Not run: the run was stopped"] * 2
    assert memory.chips[-1].trouble == ""


class RefusingSession(FunctionSession):
    """A session whose board refuses to select design b, half-way."""

    def select(self, design: Design) -> None:
        super().select(design)
        if design.name == "b":
            raise HostMisuse("the board refused a command: bad row")


def test_after_a_selection_that_was_refused_the_design_before_is_selected_anew() -> None:
    session = RefusingSession()
    memory = work([session], ("a", "b", "a"))
    assert verdicts(memory) == [Verdict.PASS, Verdict.ERROR, Verdict.PASS]
    assert session.selected == ["a", "b", "a"]
