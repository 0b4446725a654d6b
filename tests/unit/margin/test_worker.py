"""One slot at work: limits, shmoos, and what ends a search early."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from harness.board import load_profile
from harness.errors import BoardLost, BoardMisbehaved, LinkError
from harness.judge import Case
from harness.margin import (
    MarginEvent,
    MarginFound,
    MarginWorker,
    PointTried,
    SearchMeans,
    SearchTarget,
    TrialRule,
)
from harness.rack import BoardSession, Slot, StopSwitch, station
from harness.records import MarginKind, MarginRecord
from harness.shuttle import load_shuttle
from tests.unit.judge.samples import case
from tests.unit.margin.boards import LimitedBoard

ROOT = Path(__file__).parents[3]
PROFILE = load_profile(ROOT / "ci/wader.toml", load_shuttle(ROOT / "vectors/shuttle.toml"))
GONE = BoardLost("the board went away")


@dataclass
class Searched:
    """What a worker left behind."""

    records: list[MarginRecord] = field(default_factory=list)
    events: list[MarginEvent] = field(default_factory=list)
    opened: int = 0

    @property
    def record(self) -> MarginRecord:
        (record,) = self.records
        return record


def search(
    board: LimitedBoard,
    kind: MarginKind = MarginKind.RATE,
    opener: Callable[[Slot], BoardSession] | None = None,
    stop: StopSwitch | None = None,
    cases: tuple[Case, ...] = (),
    named: str = "WB-01",
) -> Searched:
    """Search the one design, declared at 1 kHz, on a virtual board that does 100 kHz at most."""
    found = Searched()

    def open_slot(slot: Slot) -> BoardSession:
        del slot
        found.opened += 1
        return board

    means = SearchMeans(
        PROFILE,
        opener or open_slot,
        kind,
        TrialRule(),
        found.records.append,
        found.events.append,
        stop or StopSwitch(),
    )
    slot = Slot("A1", "virtual", named, "PK-01", patience_s=0.1)
    MarginWorker(slot, (SearchTarget("bench", cases or (case(),), virtual=True),), means, {}).run()
    return found


def test_the_limit_lies_between_two_neighbouring_rates_of_the_board() -> None:
    record = search(LimitedBoard(lambda: 1234.5)).record
    assert record.highest_hz is not None
    assert record.failing_hz is not None
    assert record.highest_hz <= 1234.5 < record.failing_hz
    assert 1e9 / record.highest_hz - 1e9 / record.failing_hz == pytest.approx(1.0, abs=1e-3)
    assert record.percent == pytest.approx(23.45, abs=0.01)
    assert (record.noise_low_hz, record.noise_high_hz) == (record.highest_hz, record.failing_hz)
    again = 16  # what passed best is tried once more at the end
    assert record.trials == sum(point.trials for point in record.points) + again


def test_a_chip_that_outruns_its_board_has_at_least_the_boards_rate() -> None:
    record = search(LimitedBoard(lambda: 1e9)).record
    assert (record.highest_hz, record.failing_hz) == (100_000.0, None)


def test_a_chip_that_fails_everywhere_has_no_limit_and_no_margin() -> None:
    record = search(LimitedBoard(lambda: 1.0)).record
    assert (record.highest_hz, record.percent) == (None, None)
    assert record.failing_hz == pytest.approx(1000 / 16)


def test_jitter_widens_the_interval_in_which_the_limit_may_lie() -> None:
    record = search(LimitedBoard(lambda: 5000.0, jitter=0.04, seed=3)).record
    assert record.noise_low_hz is not None
    assert record.noise_high_hz is not None
    assert record.noise_low_hz <= 5000 <= record.noise_high_hz
    assert record.noise_high_hz - record.noise_low_hz > 100


def test_the_design_is_selected_anew_for_every_trial_and_the_board_is_left() -> None:
    board = LimitedBoard(lambda: 1234.5)
    record = search(board).record
    assert board.selected == record.trials
    assert board.closed == 1


def test_watchers_hear_of_every_point_and_of_the_record() -> None:
    found = search(LimitedBoard(lambda: 1234.5))
    points = [event.point for event in found.events if isinstance(event, PointTried)]
    assert tuple(points) == found.record.points
    assert found.events[-1] == MarginFound(found.record)


def test_a_board_that_goes_away_once_is_waited_for_and_the_point_tried_anew() -> None:
    board = LimitedBoard(lambda: 1234.5, breaks={5: GONE})
    found = search(board)
    assert found.opened == 2
    assert found.record.trouble == ""
    assert found.record.points[0].trials == 16, "trials before the loss do not count"
    assert found.record.trials == len(board.ran)


def test_a_board_that_is_lost_again_ends_the_search_with_what_was_tried() -> None:
    found = search(LimitedBoard(lambda: 1234.5, breaks={18: GONE, 19: GONE}))
    assert found.record.trouble == "the board went away"
    assert found.record.edges == ()
    assert found.record.percent is None
    assert len(found.record.points) == 1


def test_a_board_that_misbehaves_is_no_mismatch() -> None:
    record = search(LimitedBoard(lambda: 1234.5, breaks={0: BoardMisbehaved("odd")})).record
    assert (record.trouble, record.points) == ("odd", ())


def test_another_board_than_the_rack_file_names_is_not_searched() -> None:
    board = LimitedBoard(lambda: 1234.5)
    board.identity = replace(board.identity, board_serial="WB-09")
    record = search(board).record
    assert record.trouble == (
        "the board reports WB-09, the rack file says WB-01; plug in the right board or correct "
        "the rack file"
    )
    assert board.ran == []


@pytest.mark.parametrize("board", ["WB-01", ""])
def test_a_board_that_was_exchanged_while_the_link_was_lost_is_refused_as_in_a_run(
    board: str,
) -> None:
    """One limit never comes from two boards."""
    first = LimitedBoard(lambda: 1234.5, breaks={5: GONE})
    other = LimitedBoard(lambda: 5000.0)
    other.identity = replace(other.identity, board_serial="WB-02")
    boards = iter([first, other, other])
    found = search(first, opener=lambda _: next(boards), named=board)
    told = {
        "WB-01": "the rack file says WB-01; plug in the right board or correct the rack file",
        "": "before it was WB-01; plug every board in where it was and run again",
    }
    assert found.record.trouble == f"the board reports WB-02, {told[board]}"
    assert found.record.board_serial == "WB-01"
    assert (other.ran, other.closed) == ([], 1)


def test_a_board_that_cannot_be_reached_leaves_a_record_that_says_so() -> None:
    def refuse(slot: Slot) -> BoardSession:
        raise LinkError("no such port")

    assert search(LimitedBoard(lambda: 1.0), opener=refuse).record.trouble == "no such port"


def test_nothing_is_begun_after_a_stop() -> None:
    stop = StopSwitch()
    stop.stop()
    board = LimitedBoard(lambda: 1.0)
    assert search(board, stop=stop).record.trouble == "the search was stopped"
    assert board.ran == []


def test_a_chip_that_no_longer_does_what_it_did_has_no_limit() -> None:
    """A contact opens, or the supply trips, in the middle of the search."""
    board = LimitedBoard(lambda: 1.0 if len(board.ran) > 40 else 1e9)
    record = search(board).record
    assert record.trouble.startswith("what passed 16 times at 1000 Hz now fails, so chip, contact")
    assert record.below_declared is False


def test_tables_of_one_design_keep_the_ratio_of_their_clocks() -> None:
    """One table asks for 1 kHz, the other for a tenth; the chip does each ten times as fast."""
    fast, slow = case(), case()
    slow = replace(slow, spec=replace(slow.spec, clock_hz=100.0))
    board = LimitedBoard(lambda: 10_000.0)
    record = search(board, cases=(fast, slow)).record
    assert record.highest_hz == pytest.approx(10_000.0, rel=1e-3)
    assert {round(a.clock_hz / b.clock_hz) for a, b in pairwise(board.ran[:8:2])} == {1}
    assert board.ran[0].clock_hz == 10 * board.ran[1].clock_hz


def test_the_promised_clock_counts_where_the_board_can_do_it() -> None:
    one = case()
    promised = replace(one, design=replace(one.design, clock_hz=2000.0))
    record = search(LimitedBoard(lambda: 3000.0), cases=(promised,)).record
    assert (record.declared_hz, record.promised_hz) == (2000.0, 2000.0)
    beyond = replace(one, design=replace(one.design, clock_hz=1e7))
    record = search(LimitedBoard(lambda: 3000.0), cases=(beyond,)).record
    assert (record.declared_hz, record.promised_hz) == (1000.0, 1e7)


def test_a_board_that_never_comes_to_the_clock_says_nothing_of_the_chip() -> None:
    one = case()
    eager = replace(
        one,
        spec=replace(one.spec, clock_hz=200_000.0),
        design=replace(one.design, clock_hz=200_000.0),
    )
    record = search(LimitedBoard(lambda: 1e9), cases=(eager,)).record
    assert record.short
    assert not record.below_declared


def test_a_shmoo_against_the_sample_point_follows_the_chips_delay() -> None:
    found = search(LimitedBoard(lambda: 2000.0), MarginKind.SAMPLE).record
    passing = {edge.sample_ns for edge in found.edges if edge.highest_hz is not None}
    early = {edge.sample_ns for edge in found.edges} - passing
    assert passing
    assert min(passing) >= 500_000 > max(early), "the chip answers after half a millisecond"
    assert found.edges[0].sample_ns == 1_000_000, "the latest first"
    grid = len(found.edges) * 40 * 16
    assert found.trials < grid / 5


def breaks(*_: object, **__: object) -> Any:
    """Fail in an unforeseen way."""
    raise IndexError("list index out of range")


@pytest.mark.parametrize("call", ["open", "select", "run", "examine", "close", "observe"])
def test_what_nobody_thought_of_ends_one_search_and_the_next_one_goes_on(
    call: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    board, calls = LimitedBoard(lambda: 1.0 if call == "examine" else 1234.5), [0]
    good = {name: getattr(board, name) for name in ("select", "run", "close")}

    def once(*arguments: Any, **words: Any) -> Any:
        calls[0] += 1
        return breaks() if calls[0] == 1 else good.get(call, lambda *_: board)(*arguments, **words)

    if call in good:
        monkeypatch.setattr(board, call, once)
    if call == "examine":
        monkeypatch.setattr(station, "examine", breaks)
    records: list[MarginRecord] = []
    observe = breaks if call == "observe" else lambda _: None
    opener = once if call == "open" else lambda _: board
    stop = StopSwitch()
    means = SearchMeans(
        PROFILE, opener, MarginKind.RATE, TrialRule(), records.append, observe, stop
    )
    slot = Slot("A1", "virtual", "WB-01", "PK-01", patience_s=0.0)
    target = SearchTarget("bench", (case(),), virtual=True)
    MarginWorker(slot, (target, target), means, {}).run()
    fault = (
        "harness itself failed (IndexError: list index out of range); please report it, with the "
        "traceback in the run's log"
    )
    first = "" if call in {"close", "observe"} else fault
    second = fault if call == "examine" else ""
    assert [record.trouble for record in records] == [first, second]
