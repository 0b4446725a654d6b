"""Sessions with exact pins: the real agent and link, an emulated RP2040, a chip on its wires.

The same patterns and the same reference as for paced pins: only the time between edges differs.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from harness.agent.backends import backend
from harness.agent.pins_rp2 import Pins
from harness.board import (
    BoardProfile,
    RunConditions,
    Session,
    pattern_rates,
)
from harness.board.timing import exact_timing
from harness.errors import TableUnfit
from harness.link import Channel, RawRepl
from harness.table import Pattern
from tests.unit.agent.emulated import EmulatedBus, TernDevice
from tests.unit.agent.tern import (
    CLK,
    INS,
    IO,
    NRESET,
    OUTS,
    PINS,
    SHUTTLE,
    TernChip,
    TernPins,
    design,
    pattern_of,
    random_pattern,
    reference,
)
from tests.unit.board.joined_session import TWO_PINS
from tests.unit.board.joined_session import join as join_paced
from tests.unit.link.joined import Clock, JoinedBoard

WIRES = {pin.name: (7 * pin.bit + 3) % 30 for pin in PINS}
"""Controller pins in no order that the agent could have by chance (7 and 30 have no divisor)."""
PROFILE = replace(
    BoardProfile("Perch", "RP2040", WIRES, TWO_PINS, SHUTTLE.path, ""),
    backend="rp2",
    in_flight=2048,
    max_rate_hz=31.25e6,
)
TICK = Fraction(8)
FAST = RunConditions(clock_hz=20e6, reset_cycles=2)


def join(
    delay: int = 1, *, stuck: int = 0, rows: int = 64, hertz: int = 125_000_000
) -> tuple[Session, EmulatedBus]:
    numbers = [WIRES[pin.name] for pin in PINS]
    bus = EmulatedBus(TernDevice(TernChip(stuck=stuck)), numbers, delay)
    bus.hertz = hertz
    clock = Clock()
    board = JoinedBoard(Pins(bus, 256, 300), clock, rows=rows)
    channel = Channel(board, 2048, session=7, clock=clock)
    channel.wait_for_agent(1.0)
    return Session(channel, RawRepl(board), PROFILE, SHUTTLE), bus


def steady(rows: int, **given: int) -> Pattern:
    """Rows that clock the accumulator with 1 and expect the right sum."""
    columns = {name: [0] * rows for name in ("highz",)}
    columns |= {"drive": [1 | NRESET] * rows, "enable": [INS | CLK] * rows, "pulse": [CLK] * rows}
    columns |= {"expect": [(k + 1 & 0xFF) << 8 for k in range(rows)], "care": [OUTS] * rows}
    columns |= {"repeat": [1] * rows}
    pattern = pattern_of(columns, [False] * rows)
    for name, row in given.items():
        getattr(pattern, name)[row] ^= 1 if name == "until" else IO
    return pattern


@pytest.mark.parametrize(("seed", "wrong_rate", "stuck"), [(1, 0.0, 0), (2, 0.2, 0), (3, 0, OUTS)])
def test_a_capture_is_what_the_reference_works_out(
    seed: int, wrong_rate: float, stuck: int
) -> None:
    session, _bus = join(stuck=stuck)
    session.select(design(0))
    pattern = random_pattern(seed, 150, wrong_rate=wrong_rate)
    capture = session.run(pattern, FAST, window=(100, 164))
    expected = reference(pattern, TernChip(total=0, stuck=stuck), NRESET)
    assert capture.cycles == expected.cycles
    assert capture.mismatch_count == len(expected.wrong)
    assert dict(capture.pin_counts) == expected.pin_counts
    assert dict(capture.until_used) == expected.until_used
    found = [(m.cycle, m.row, m.pass_, m.floating, m.wrong) for m in capture.mismatches]
    assert found == [(entry[:3] + entry[4:]) for entry in expected.wrong[:48]]
    # what a pin reads that nobody drives is anybody's guess, here as on a board
    seen = [m.seen & ~IO for m in capture.mismatches]
    assert seen == [entry[3] & ~IO for entry in expected.wrong[:48]]
    assert capture.window is not None
    kept = [(row, cycle, seen) for row, cycle, seen, _f in expected.words if 100 <= cycle < 164]
    window = zip(capture.window.row, capture.window.cycle, capture.window.seen, strict=True)
    tested = [seen & OUTS for _row, _cycle, seen in kept]
    assert [(int(r), int(c)) for r, c, _s in window] == [(r, c) for r, c, _s in kept]
    assert [int(seen) & OUTS for seen in capture.window.seen] == tested
    assert capture.exact
    assert capture.gaps > 0


def test_paced_and_exact_pins_give_the_same_signature() -> None:
    pattern = random_pattern(9, 60)
    paced, _board = join_paced(TernPins(TernChip()))
    exact, _bus = join()
    assert paced.run(pattern, FAST).signature == exact.run(pattern, FAST).signature


@pytest.mark.parametrize(
    ("asked", "ticks"), [(31.25e6, 6), (20e6, 7), (10e6, 13), (1e6, 125), (99e3, 1263)]
)
def test_the_rate_that_is_reached_is_the_fastest_that_is_not_too_fast(
    asked: float, ticks: int
) -> None:
    session, _bus = join()
    capture = session.run(steady(8), RunConditions(clock_hz=asked))
    assert capture.mismatch_count == 0
    assert capture.achieved_hz == 125e6 / ticks
    assert pattern_rates(backend("rp2"), 31.25e6, steady(8)).ticks(asked) == ticks


@pytest.mark.parametrize("hertz", [133_000_000, 150_000_000])
@pytest.mark.parametrize("ticks", [6, 7, 125, 1264])
def test_ticks_of_no_whole_nanoseconds_are_the_same_for_host_and_board(
    hertz: int, ticks: int
) -> None:
    session, bus = join(hertz=hertz)
    bus.edges.clear()
    capture = session.run(steady(8), RunConditions(clock_hz=hertz / ticks))
    assert (capture.mismatch_count, capture.achieved_hz) == (0, hertz / ticks)
    pulses = [now for now, levels in bus.edges if levels & CLK][-8:]
    assert {after - before for before, after in pairwise(pulses)} == {ticks}


@pytest.mark.slow
def test_a_chip_that_answers_too_late_fails_one_step_above_its_rate() -> None:
    pattern = steady(40)
    grid = pattern_rates(backend("rp2"), 31.25e6, pattern)
    passing = []
    for ticks in range(grid.fewest, 40):
        session, _bus = join(delay=12)
        capture = session.run(pattern, RunConditions(clock_hz=float(grid.hz(ticks))))
        assert capture.achieved_hz == float(grid.hz(ticks))
        passing.append(capture.mismatch_count == 0)
    first = grid.fewest + passing.index(True)
    assert all(passing[passing.index(True) :])
    # the clock's second part and all but the synchroniser's ticks of the third are the chip's
    rest = max(4, first - 2 * (first // 3))
    high = first - rest - (first - rest) // 2
    assert high + rest - 3 >= 12 > high + rest - 3 - 2


def test_the_sample_point_counts_from_the_chip_so_the_round_trip_is_added() -> None:
    pattern = steady(20)
    asked = RunConditions(clock_hz=1e6, sample_ns=20)
    assert exact_timing(asked, PROFILE, TICK, pattern).sample_ns == 28
    far = replace(PROFILE, round_trip_ns=100)
    assert exact_timing(asked, far, TICK, pattern).sample_ns == 120
    late = replace(asked, sample_ns=0)
    assert exact_timing(late, far, TICK, pattern).sample_ns == 0, "late is late, however far"


def test_any_sample_point_from_the_first_tick_to_the_latest_reads_a_quick_answer() -> None:
    unpulsed = replace(
        steady(3),
        pulse=np.zeros(3, np.uint32),
        drive=np.array([IO, 0, IO], np.uint32),
        enable=np.full(3, INS | CLK | IO, np.uint32),
        expect=np.array([IO, 0, IO], np.uint32),
        care=np.full(3, IO, np.uint32),
    )
    about = PROFILE.about
    latest, pulsed = (8 * (about.cycle(n, 125, 0, 0).read - about.sync_ticks) for n in (1, 2))
    assert (latest, pulsed) == (8 * 122, 8 * 40)
    session, _bus = join()
    for sample in (0, 1, 400, latest - PROFILE.round_trip_ns):
        capture = session.run(unpulsed, RunConditions(clock_hz=1e6, sample_ns=sample))
        assert (capture.mismatch_count, capture.achieved_hz) == (0, 1e6)


def test_a_settle_time_slows_an_exact_cycle_down_and_the_rate_says_so() -> None:
    session, _bus = join()
    capture = session.run(steady(8), RunConditions(clock_hz=20e6, settle_us=0.2))
    assert capture.achieved_hz == 125e6 / (3 * 25 + 9)


def test_a_table_that_fits_runs_as_one_burst() -> None:
    session, _bus = join()
    capture = session.run(steady(64), replace(FAST, gap_free=True))
    assert (capture.cycles, capture.mismatch_count, capture.gaps) == (64, 0, 0)
    assert session.run(steady(65), FAST).gaps == 1


WANTS = "the table's gap_free requires one burst without a pause"


REFUSED = {
    "but it has 65 rows and this board takes at most 64; use repeat, split the table, or remove "
    "gap_free": steady(65),
    "but only its first 7 cycles fit: at table line 7 pins change direction; change the table, "
    "or remove gap_free": steady(20, enable=7),
    "but only its first 3 cycles fit: at table line 3 a row tests for high impedance; change the "
    "table, or remove gap_free": steady(20, highz=3),
    "but only its first 4 cycles fit: at table line 4 a row waits until its outputs match; change "
    "the table, or remove gap_free": steady(20, until=4),
    "but only its first 128 cycles fit: at table line 2 memory for 256 words and 236 captured "
    "cycles is full; change the table, or remove gap_free": replace(
        steady(4), repeat=np.full(4, 61, np.uint32)
    ),
}


@pytest.mark.parametrize(("text", "pattern"), REFUSED.items())
def test_a_table_that_cannot_be_one_burst_is_refused_before_anything_is_driven(
    text: str, pattern: Pattern
) -> None:
    session, bus = join()
    before = len(bus.edges)
    with pytest.raises(TableUnfit) as caught:
        session.run(pattern, replace(FAST, gap_free=True))
    assert str(caught.value) == f"{WANTS}, {text}"
    assert len(bus.edges) == before


def test_a_board_paced_by_software_refuses_a_table_that_must_not_pause() -> None:
    session, _board = join_paced(TernPins(TernChip()))
    with pytest.raises(TableUnfit) as caught:
        session.run(steady(4), replace(FAST, gap_free=True))
    assert str(caught.value) == (
        f'{WANTS}, but pins module "generic" paces every cycle by software; run it on a board '
        "whose profile has a pins module with exact timing, or remove gap_free"
    )


def test_a_long_window_comes_back_whole_from_bursts_in_pieces() -> None:
    """Some pieces have no pulse, and one row runs for more cycles than a piece has."""
    plain = steady(60)
    pulse = np.where(plain.line < 30, plain.pulse, 0).astype(np.uint32)
    repeat = np.where(plain.line == 40, 150, 1).astype(np.uint32)
    pattern = replace(plain, pulse=pulse, repeat=repeat)
    expected = reference(pattern, TernChip(total=0), NRESET)
    session, _bus = join()
    session.select(design(0))
    capture = session.run(pattern, FAST, window=(5, 205))
    assert (capture.cycles, capture.mismatch_count) == (expected.cycles, len(expected.wrong))
    assert capture.window is not None
    columns = (capture.window.row, capture.window.cycle, capture.window.seen & np.uint32(OUTS))
    words = list(zip(*(column.tolist() for column in columns), strict=True))
    assert words == [
        (row, cycle, seen & OUTS) for row, cycle, seen, _f in expected.words if 5 <= cycle < 205
    ]


def test_a_driven_pin_counts_in_every_cycle_that_tests_it_by_weak_pulls() -> None:
    repeat = np.where(np.arange(10) == 4, 20, 1).astype(np.uint32)
    pattern = replace(steady(10), care=np.zeros(10, np.uint32), repeat=repeat)
    pattern = replace(pattern, highz=np.full(10, 0x300 | IO, np.uint32))
    session, _bus = join()
    session.select(design(0))
    counts = dict(session.run(pattern, FAST).pin_counts)
    assert counts == {8: 29, 9: 29}
