"""Verdicts over a wire that loses, doubles, flips and invents bytes: exact, or an error.

A damaged frame passes CRC-32 with a chance of 2**-32, as any 32-bit check on random damage does
(elementary; no source needed). At a thousand damaged frames a second that is one in 50 days, and
it would still have to make sense as a command or an answer.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from harness.board import Capture, RunConditions, Session
from harness.errors import Cancelled, LinkError
from tests.unit.agent.tern import (
    NRESET,
    Expected,
    TernChip,
    TernPins,
    design,
    random_pattern,
    reference,
)
from tests.unit.board.joined_session import join
from tests.unit.link.joined import Fault, JoinedBoard

pytestmark = pytest.mark.slow

CONDITIONS = RunConditions(clock_hz=50_000, reset_cycles=1)


def is_exact(capture: Capture, expected: Expected) -> None:
    """Cycles, mismatches and their evidence are those of the reference, no more, no less."""
    assert capture.cycles == expected.cycles
    assert capture.mismatch_count == len(expected.wrong)
    assert dict(capture.pin_counts) == expected.pin_counts
    assert dict(capture.until_used) == expected.until_used
    found = [(m.cycle, m.row, m.pass_, m.seen, m.floating, m.wrong) for m in capture.mismatches]
    assert found == expected.wrong[:48]


@dataclass
class Bench:
    """Runs bursts on one chip; puts a new agent on the board when the link was lost."""

    stuck: int
    rate: float = 0.0
    runs: int = 0
    errors: int = 0
    faults: int = 0
    session: Session = field(init=False)
    board: JoinedBoard = field(init=False)
    lost: bool = True

    def run(self, seed: int, rows: int, wrong_rate: float) -> None:
        """One burst: exact, or an error is raised."""
        self.attach(seed)
        pattern = random_pattern(seed, rows, wrong_rate=wrong_rate)
        before = self.board.faults
        try:
            capture = self.session.run(pattern, CONDITIONS)
        except LinkError:
            self.errors += 1
            self.lost = True
        else:
            self.runs += 1
            is_exact(capture, reference(pattern, TernChip(total=0, stuck=self.stuck), NRESET))
        self.faults += self.board.faults - before

    def run_cancelled(self, seed: int, after: int) -> None:
        """Run bursts until a stop, after a number of reads of the port, takes effect."""
        self.attach(seed)
        self.board.call_at_read(after, self.session.cancel)
        pattern = random_pattern(seed, 100)
        for _ in range(after + 2):
            try:
                capture = self.session.run(pattern, CONDITIONS)
            except Cancelled:
                return
            except LinkError:
                self.errors += 1
                self.lost = True
                return
            is_exact(capture, reference(pattern, TernChip(total=0, stuck=self.stuck), NRESET))
        raise AssertionError("the stop was never felt")

    def attach(self, seed: int) -> None:
        if not self.lost:
            return
        self.lost = False
        self.session, self.board = join(TernPins(TernChip(stuck=self.stuck)), seed=seed)
        self.session.select(design(0))
        self.board.agent_port.slow = 0.2
        self.board.to_board.rate = self.board.to_host.rate = self.rate


@pytest.mark.parametrize("wanted", [6_000, pytest.param(10_000, marks=pytest.mark.nightly)])
def test_thousands_of_link_faults_give_no_wrong_verdict(wanted: int) -> None:
    benches = [Bench(stuck, 1 / 700) for stuck in (0, 0x1000)]
    seed = 0
    while sum(bench.faults for bench in benches) < wanted:
        seed += 1
        for bench in benches:
            bench.run(seed, 20 + seed % 90, 0.02 * (seed % 3))
    good, bad = benches
    print(f"good {good.runs} runs {good.errors} errors, bad {bad.runs} runs {bad.errors} errors")
    assert good.runs > 100
    assert bad.runs > 100


class FaultyWire(RuleBasedStateMachine):
    """Bursts, cancelled bursts and faults planned byte by byte, in any order."""

    @initialize(stuck=st.sampled_from([0, 0x100, 0xFF00]), seed=st.integers(0, 99))
    def attach(self, stuck: int, seed: int) -> None:
        self.bench = Bench(stuck)
        self.bench.attach(seed)

    @rule(
        down=st.lists(st.tuples(st.integers(0, 900), st.sampled_from(Fault)), max_size=8),
        up=st.lists(st.tuples(st.integers(0, 400), st.sampled_from(Fault)), max_size=8),
    )
    def spoil(self, down: list[tuple[int, Fault]], up: list[tuple[int, Fault]]) -> None:
        self.bench.board.to_board.plan(down)
        self.bench.board.to_host.plan(up)

    @rule(seed=st.integers(0, 999), rows=st.integers(1, 140), wrong=st.sampled_from([0.0, 0.2]))
    def burst(self, seed: int, rows: int, wrong: float) -> None:
        self.bench.run(seed, rows, wrong)

    @rule(seed=st.integers(0, 999), after=st.integers(0, 5))
    def cancelled_burst(self, seed: int, after: int) -> None:
        self.bench.run_cancelled(seed, after)

    @rule(ahead=st.integers(0, 300))
    def cut(self, ahead: int) -> None:
        self.bench.board.to_board.plan((ahead + k, Fault.DROP) for k in range(20_000))

    @invariant()
    def link_is_usable_or_known_to_be_lost(self) -> None:
        if not hasattr(self, "bench") or self.bench.lost:
            return
        try:
            assert self.bench.session.supply_ma() == 12.5
        except LinkError:
            self.bench.lost = True


TestFaultyWire = FaultyWire.TestCase
TestFaultyWire.settings = settings(max_examples=30, stateful_step_count=10, deadline=None)
