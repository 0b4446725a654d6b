"""A sweep of the voltage: a fault of the bench supply is never a limit of the chip."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from harness.board import load_profile
from harness.errors import BoardLost
from harness.margin import MarginWorker, SearchMeans, SearchTarget, TrialRule
from harness.rack import Slot, StopSwitch
from harness.records import MarginKind, MarginRecord
from harness.shuttle import load_shuttle
from harness.supply import BenchSupply
from harness.virtual.scpi_device import ScpiSupply
from tests.unit.judge.samples import case
from tests.unit.margin.boards import LimitedBoard
from tests.unit.supply.instruments import LinePort, instrument, on

ROOT = Path(__file__).parents[3]
PROFILE = load_profile(ROOT / "ci/wader.toml", load_shuttle(ROOT / "vectors/shuttle.toml"))
LIMIT_HZ = 2000.0


@dataclass
class Bench:
    """A chip that does 2 kHz while it has its voltage; in burst ``at`` something ``happens``."""

    at: int = 1_000_000
    happens: Callable[[Bench], object] = lambda _: None
    device: ScpiSupply = field(default_factory=instrument)
    bursts: int = 0

    def __post_init__(self) -> None:
        self.port = LinePort(self.device.answer)
        self.board = LimitedBoard(self._limit)

    def _limit(self) -> float:
        self.bursts += 1
        if self.bursts == self.at:
            self.happens(self)
        return LIMIT_HZ if self.device.delivered()[0] > 1.0 else 0.0

    def sweep(self, supply: BenchSupply, turn: threading.Lock | None = None) -> MarginRecord:
        records: list[MarginRecord] = []
        worker(self, supply, records, StopSwitch(), turn or threading.Lock()).run()
        (record,) = records
        return record


def worker(
    bench: Bench,
    supply: BenchSupply,
    records: list[MarginRecord],
    stop: StopSwitch,
    turn: threading.Lock,
) -> MarginWorker:
    means = SearchMeans(
        PROFILE,
        lambda _: bench.board,
        MarginKind.SUPPLY,
        TrialRule(),
        records.append,
        lambda _: None,
        stop,
        supply,
        turn,
    )
    slot = Slot("A1", "virtual", "WB-01", "PK-01", patience_s=0.1)
    return MarginWorker(slot, (SearchTarget("bench", (case(),), virtual=True),), means, {})


def trip(bench: Bench) -> None:
    bench.device.answer("OUTP OFF")


def sag(bench: Bench) -> None:
    answer = bench.device.answer
    bench.port.answer = lambda line: "1.1" if line == "MEAS:VOLT?" else answer(line)


def test_a_supply_that_holds_gives_a_limit_at_every_voltage() -> None:
    bench = Bench()
    with on(bench.port) as supply:
        record = bench.sweep(supply)
    assert record.trouble == ""
    assert {edge.volts for edge in record.edges} >= {2.7, 3.3, 3.6}
    assert {edge.highest_hz is not None for edge in record.edges} == {True}


@pytest.mark.parametrize("at", range(1, 60, 7))
def test_a_supply_that_trips_ends_the_sweep_and_is_no_limit_of_the_chip(at: int) -> None:
    bench = Bench(at, trip)
    with on(bench.port) as supply:
        record = bench.sweep(supply)
    assert "the output of the bench supply is off" in record.trouble
    assert record.edges == ()
    slow = [point for point in record.points if point.rate_hz <= LIMIT_HZ]
    assert all(point.passing for point in slow), "a failing one had no voltage"
    assert sum(point.trials for point in record.points) < record.trials


def test_a_voltage_that_sags_while_points_pass_is_noticed_at_the_end_of_its_row() -> None:
    bench = Bench(20, sag)
    bench.board.limit = lambda: 1e9 if bench._limit() else 0.0
    with on(bench.port) as supply:
        record = bench.sweep(supply)
    assert "3.3 V was set, but 1.1 V is measured now" in record.trouble
    assert record.points == (), "none of them is known to have had its voltage"


def test_an_error_that_the_supply_queued_ends_the_sweep() -> None:
    bench = Bench(20, lambda bench: bench.device.answer("NONSENSE"))
    with on(bench.port) as supply:
        record = bench.sweep(supply)
    assert record.trouble.endswith("the bench supply reports an error: -113, Undefined header")


def test_what_ended_a_sweep_is_told_even_if_the_nominal_voltage_does_not_come_back() -> None:
    bench = Bench()
    gone = BoardLost("the board went away")

    def break_all(bench: Bench) -> None:
        bench.port.answer = lambda _: "nonsense"
        bench.board.breaks = dict.fromkeys(range(100), gone)

    bench.at, bench.happens = 3, break_all
    supply = on(bench.port).__enter__()
    record = bench.sweep(supply)
    assert record.trouble.startswith(
        "the board went away; and the nominal voltage of 3.3 V could not be set after that: "
        "/dev/ttyS9: "
    )


def test_a_slot_that_waits_for_its_turn_does_nothing_after_a_stop() -> None:
    bench, stop, turn = Bench(), StopSwitch(), threading.Lock()
    records: list[MarginRecord] = []
    with on(bench.port) as supply:
        said = len(bench.port.said)
        with turn:
            waiting = threading.Thread(
                target=worker(bench, supply, records, stop, turn).run, daemon=True
            )
            waiting.start()
            waiting.join(0.2)
            stop.stop()
        waiting.join(10)
        assert len(bench.port.said) == said
    assert bench.board.ran == []
    assert [record.trouble for record in records] == ["the search was stopped"]
