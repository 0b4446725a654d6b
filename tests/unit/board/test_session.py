"""Sessions through the real agent and link: effects on the chip, and captures."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
import pytest

from harness.agent import protocol
from harness.agent.codec import Block
from harness.board import (
    Capture,
    CaptureWindow,
    ParallelSelect,
    PulseSelect,
    RunConditions,
    Session,
    ShiftSelect,
)
from harness.board.select import SelectMethod
from harness.board.session import UNREADABLE
from harness.errors import BoardMisbehaved, Cancelled, HostMisuse
from harness.link import Command
from harness.table import Pattern
from tests.unit.agent.tern import (
    IO,
    NRESET,
    OUTS,
    Expected,
    TernChip,
    TernPins,
    design,
    pattern_of,
    random_pattern,
    reference,
)
from tests.unit.board.joined_session import join

CONDITIONS = RunConditions(clock_hz=50_000, reset_cycles=2)


def agrees(capture: Capture, expected: Expected) -> None:
    """Check that a capture has the values of the reference."""
    assert capture.cycles == expected.cycles
    assert capture.mismatch_count == len(expected.wrong)
    assert dict(capture.pin_counts) == expected.pin_counts
    assert dict(capture.until_used) == expected.until_used
    found = [(m.cycle, m.row, m.pass_, m.seen, m.floating, m.wrong) for m in capture.mismatches]
    assert found == expected.wrong[: len(found)]
    assert len(found) == min(48, len(expected.wrong))


def words_of(window: CaptureWindow) -> list[tuple[int, ...]]:
    """List row, cycle, word and floating pins of each cycle."""
    columns = (window.row, window.cycle, window.seen, window.floating)
    return list(zip(*(column.tolist() for column in columns), strict=True))


@pytest.mark.parametrize("window", [(0, 0), (40, 140)])
def test_a_long_pattern_is_followed_by_what_the_board_answers_block_by_block(
    window: tuple[int, int],
) -> None:
    """The second way, for which it runs in pieces, counts through from its first cycle."""
    heard: list[int] = []
    session, _ = join(TernPins(TernChip()), rows=16, heard=heard.append)
    plain = replace(random_pattern(5, 100), until=np.zeros(100, bool))
    capture = session.run(plain, replace(CONDITIONS, reset_cycles=0), window=window)
    assert heard == sorted(heard)
    assert heard[-1] == capture.cycles == plain.cycles
    assert len(heard) >= 100 // 16


def test_reset_is_asserted_on_an_active_low_pin() -> None:
    chip = TernChip(total=0x5A)
    session, _ = join(TernPins(chip))
    session.run(random_pattern(1, 1), CONDITIONS)
    assert chip.resets == 2


def test_a_run_without_reset_leaves_the_chip_as_it_is() -> None:
    chip = TernChip(total=0x5A)
    session, _ = join(TernPins(chip))
    session.run(random_pattern(1, 1), RunConditions(clock_hz=50_000, reset_cycles=0))
    assert chip.resets == 0


def test_the_rate_of_a_run_is_what_the_board_measured_if_it_measures() -> None:
    pins = TernPins(TernChip())
    session, _ = join(pins)
    assert session.run(random_pattern(3, 30), CONDITIONS).achieved_hz == 50_000
    pins.took = lambda: 10_000  # type: ignore[method-assign]
    capture = session.run(random_pattern(3, 30), CONDITIONS)
    assert capture.achieved_hz == pytest.approx(capture.cycles * 100)


def test_a_second_selection_forgets_the_first() -> None:
    pins = TernPins(TernChip())
    session, _ = join(pins)
    session.select(design(1))
    pins.chip.addresses.clear()
    session.select(design(2))
    assert pins.chip.addresses == {2}
    pattern = random_pattern(3, 30)
    capture = session.run(pattern, CONDITIONS)
    # at address 2 the chip shows its total plus 34: every expectation for address 0 is wrong
    agrees(capture, reference(pattern, TernChip(total=0), NRESET | 1 << 20))


@pytest.mark.parametrize(
    ("rows", "wrong_rate", "stuck"),
    [(1, 0.0, 0), (64, 0.0, 0), (65, 0.1, 0), (300, 0.0, 0), (300, 0.3, 0), (200, 0.0, OUTS)],
)
def test_a_capture_is_what_the_reference_works_out(
    rows: int, wrong_rate: float, stuck: int
) -> None:
    session, _ = join(TernPins(TernChip(stuck=stuck)))
    session.select(design(0))
    pattern = random_pattern(rows, rows, wrong_rate=wrong_rate)
    expected = reference(pattern, TernChip(total=0, stuck=stuck), NRESET)
    agrees(session.run(pattern, CONDITIONS), expected)


def test_the_same_stimulus_gives_the_same_signature_and_another_chip_another_one() -> None:
    pattern = random_pattern(5, 100)
    good, _ = join(TernPins(TernChip()))
    bad, _ = join(TernPins(TernChip(stuck=0x400)))
    signatures = [s.run(pattern, CONDITIONS).signature for s in (good, good, bad)]
    assert signatures[0] == signatures[1] != signatures[2]


def test_a_window_comes_back_whole_even_if_every_cycle_in_it_is_wrong() -> None:
    pattern = random_pattern(6, 200)
    session, _ = join(TernPins(TernChip(stuck=OUTS)))
    expected = reference(pattern, TernChip(total=0, stuck=OUTS), NRESET)
    capture = session.run(pattern, CONDITIONS, window=(0, 64))
    agrees(capture, expected)
    assert capture.window is not None
    assert words_of(capture.window) == [entry for entry in expected.words if entry[1] < 64]


def test_a_pattern_needs_less_than_one_round_trip_for_each_thousand_vectors() -> None:
    many = 20_000
    columns = {name: [0] * many for name in ("expect", "care", "highz")}
    columns |= {name: [1] * many for name in ("drive", "enable", "pulse", "repeat")}
    session, _ = join(TernPins(TernChip()), rows=1024)
    capture = session.run(pattern_of(columns, [False] * many), CONDITIONS)
    assert capture.cycles == many
    assert capture.wire.round_trips <= many / 1000


@pytest.mark.parametrize(
    "method",
    [ParallelSelect(("s1", "s0")), ShiftSelect("s0", "s1", 2), PulseSelect("s0", "s1")],
)
def test_every_selection_method_reaches_the_chip_with_reset_held(method: SelectMethod) -> None:
    held: list[int] = []

    class Watching(TernChip):
        def cycle(self, drive: int, enable: int, pulse: int) -> tuple[int, int]:
            held.append(drive & enable & NRESET)
            return super().cycle(drive, enable, pulse)

    session, _ = join(TernPins(Watching()), select=method)
    session.select(design(3))
    assert held
    assert not any(held)


def test_sensor_readings_and_identity_come_from_the_board() -> None:
    session, _ = join(TernPins(TernChip()))
    assert session.supply_ma() == 12.5
    assert session.identity.board_serial == "T-01"
    assert session.identity.backend == "tern"


@pytest.mark.slow
def test_a_cancelled_run_ends_and_the_next_one_is_whole() -> None:
    pattern = random_pattern(8, 2000)
    for reads in (0, 1, 2, 5, 9):
        session, board = join(TernPins(TernChip()), seed=reads)
        board.call_at_read(reads, session.cancel)
        with pytest.raises(Cancelled):
            session.run(pattern, CONDITIONS)
        short = random_pattern(9, 50)
        agrees(session.run(short, CONDITIONS), reference(short, TernChip(total=0), NRESET))


FEWER = "the board counts 8 cycles, but 9 were requested; nothing of this run is kept, run again"


@pytest.mark.parametrize(("waits", "text"), [(True, FEWER), (False, UNREADABLE)])
def test_a_board_that_runs_fewer_cycles_than_requested_is_not_believed(
    *, waits: bool, text: str
) -> None:
    session, board = join(TernPins(TernChip()))
    burst = board.engine.burst

    def lazy(block: Block, count: int, row: int) -> None:
        burst(block, max(1, count - 1), row)

    board.engine.burst = lazy  # type: ignore[method-assign]
    columns = {name: [0] * 9 for name in ("expect", "care", "highz")}
    columns |= {name: [1] * 9 for name in ("drive", "enable", "pulse", "repeat")}
    with pytest.raises(BoardMisbehaved) as caught:
        session.run(pattern_of(columns, [waits] + [False] * 8), replace(CONDITIONS, reset_cycles=0))
    assert str(caught.value) == text


@pytest.mark.parametrize("more", [-1, 9])
def test_a_board_that_waited_for_no_cycle_or_beyond_the_limit_is_not_believed(more: int) -> None:
    session, board = join(TernPins(TernChip()))
    wait = board.engine.run_until

    def odd(row: int, limit: int) -> None:
        wait(row, limit)
        board.engine.untils[-1] = (row, board.engine.untils[-1][1] + more)
        board.engine.cycle += more

    board.engine.run_until = odd  # type: ignore[method-assign]
    columns = {name: [0] * 2 for name in ("drive", "enable", "pulse", "expect", "care", "highz")}
    with pytest.raises(BoardMisbehaved) as caught:
        session.run(pattern_of(columns | {"repeat": [1, 9]}, [False, True]), CONDITIONS)
    assert str(caught.value) == UNREADABLE


def test_a_board_whose_counts_contradict_each_other_is_not_believed() -> None:
    """A count of mismatches that came to nothing must not become a pass."""
    session, board = join(TernPins(TernChip(stuck=OUTS)))
    totals = board.engine.totals

    def forgetful() -> object:
        board.engine.bad = 0
        return totals()

    board.engine.totals = forgetful  # type: ignore[method-assign, assignment]
    with pytest.raises(BoardMisbehaved) as caught:
        session.run(random_pattern(5, 100), CONDITIONS)
    assert str(caught.value).startswith("the board counts 0 mismatches, lists 48 and names ")


def test_a_pattern_of_more_cycles_than_can_be_counted_is_refused_before_it_runs() -> None:
    chip = TernChip()
    session, _ = join(TernPins(chip))
    columns = {name: [0] * 3 for name in ("expect", "care", "highz")}
    columns |= {name: [1] * 3 for name in ("drive", "enable", "pulse")}
    pattern = pattern_of(columns | {"repeat": [2_000_000_000] * 3}, [False] * 3)
    with pytest.raises(HostMisuse) as caught:
        session.run(pattern, CONDITIONS)
    assert str(caught.value) == (
        "the table may run for 6,000,000,000 cycles, but one run has at most 4,294,967,040; "
        "lower its repeats or split it into several tables"
    )
    assert chip.resets == 0


def test_close_after_cancel_still_leaves_the_board_as_it_was() -> None:
    session, board = join(TernPins(TernChip()))
    session.cancel()
    session.close()
    assert board.server.closed


def test_close_stops_the_agent_and_closes_the_port() -> None:
    session, board = join(TernPins(TernChip()))
    session.close()
    assert board.server.closed
    assert board.closed


def test_a_run_that_fits_in_flight_is_one_stream_with_one_round_trip() -> None:
    session, _ = join(TernPins(TernChip()))
    counting = list(range(640))
    columns = dict.fromkeys(("enable", "pulse", "expect", "care", "highz"), [0] * 640)
    pattern = pattern_of({"drive": counting, "repeat": [1] * 640, **columns}, [False] * 640)
    capture = session.run(pattern, CONDITIONS)
    assert capture.cycles == 640
    assert capture.wire.round_trips == 1


@pytest.mark.parametrize("rows", [65, 1000, 3000])
def test_a_run_of_many_bursts_takes_at_most_one_round_trip_for_each(rows: int) -> None:
    session, _ = join(TernPins(TernChip()))
    capture = session.run(random_pattern(7, rows), CONDITIONS)
    bursts = -(-rows // 64)
    assert 1 <= capture.wire.round_trips <= bursts


@pytest.mark.parametrize("answer", [b"[true]", b"[-1]", b"[70000]", b"[]", b"{", b"[1, 2]", b"7"])
def test_what_is_no_reading_of_a_sensor_is_no_current(
    answer: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    session, _ = join(TernPins(TernChip()))
    monkeypatch.setattr(session._channel, "call", lambda *_: answer)
    with pytest.raises(BoardMisbehaved, match="sensor"):
        session.supply_ma()


def lies(session: Session, kind: int, said: bytes) -> None:
    """Have the agent's answer to one kind of command replaced; everything else is true."""
    exchange = session._channel.exchange

    def answering(commands: Iterable[Command]) -> Iterator[bytes]:
        kinds: list[int] = []

        def noted() -> Iterator[Command]:
            for command in commands:
                kinds.append(command.kind)
                yield command

        for number, payload in enumerate(exchange(noted())):
            yield said if kinds[number] == kind else payload

    session._channel.exchange = answering  # type: ignore[method-assign]


MISMATCH = struct.pack("<IHIIII", 0, 0, 0, 0, 0, 1 << 31)
FAR_ROW = struct.pack("<IHIIII", 0, 999, 0, 0, 0, 1)


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        (protocol.TIMING, b""),
        (protocol.TIMING, struct.pack("<II", 1000, 0)),
        (protocol.BLOCK, b""),
        (protocol.BLOCK, b"\x01\x00\x00short"),
        (protocol.BLOCK, b"\x00\x00\xff"),
        (protocol.TOTALS, b"\x00" * 7),
        (protocol.TOTALS, struct.pack("<IIIIQ", 1, 0, 0, 0, 0) + b"\x01"),
    ],
)
def test_an_answer_that_cannot_be_read_is_the_boards_fault_and_no_verdict(
    kind: int, said: bytes
) -> None:
    session, _ = join(TernPins(TernChip()))
    lies(session, kind, said)
    with pytest.raises(BoardMisbehaved) as caught:
        session.run(random_pattern(1, 1), CONDITIONS)
    assert str(caught.value) == UNREADABLE


@pytest.mark.parametrize(
    ("found", "pins"),
    [
        (b"\x01\x00\x00" + MISMATCH, b"\x00\x01\x00\x00\x00"),
        (b"\x01\x00\x00" + FAR_ROW, b"\x00\x01\x00\x00\x00"),
        (b"\x01\x00\x00" + MISMATCH[:-4] + b"\x00" * 4, b"\x00\x01\x00\x00\x00"),
        (b"\x01\x00\x00" + struct.pack("<IHIIII", 0, 0, 0, 0, 0, OUTS & -OUTS), b"\xc8\1\0\0\0"),
    ],
    ids=["untested pin", "row that is not there", "nothing wrong", "pin that is not there"],
)
def test_a_board_that_reports_untested_pins_as_wrong_is_not_believed(
    found: bytes, pins: bytes
) -> None:
    session, _ = join(TernPins(TernChip()))
    pattern = random_pattern(1, 1)
    cycles = session.run(pattern, CONDITIONS).cycles
    lies(session, protocol.BLOCK, found)
    lies(session, protocol.TOTALS, struct.pack("<IIIIQ", cycles, 1, 0, 0, 0) + pins)
    with pytest.raises(BoardMisbehaved) as caught:
        session.run(pattern, CONDITIONS)
    assert str(caught.value) == UNREADABLE


@pytest.mark.parametrize("window", [(0, 300), (37, 190), (100, 4000)])
def test_a_long_window_comes_back_whole_from_a_run_in_pieces(window: tuple[int, int]) -> None:
    plain = random_pattern(4, 120, wrong_rate=0.2)
    repeat = np.where(np.arange(120) == 40, 150, plain.repeat).astype(np.uint32)
    pattern = replace(plain, until=np.zeros(120, np.bool_), repeat=repeat)
    expected = reference(pattern, TernChip(total=0), NRESET)
    session, _ = join(TernPins(TernChip()))
    capture = session.run(pattern, CONDITIONS, window=window)
    agrees(capture, expected)
    assert capture.window is not None
    assert words_of(capture.window) == [w for w in expected.words if window[0] <= w[1] < window[1]]


def test_a_long_window_of_a_pattern_that_waits_has_its_first_cycles() -> None:
    pattern = random_pattern(4, 120)
    expected = reference(pattern, TernChip(total=0), NRESET)
    session, _ = join(TernPins(TernChip()))
    capture = session.run(pattern, CONDITIONS, window=(0, 300))
    assert capture.window is not None
    assert words_of(capture.window) == [w for w in expected.words if w[1] < protocol.MAX_WINDOW]


def plain_pattern(wrong_rate: float = 0.0) -> Pattern:
    """Rows that run one cycle each; blocks of such rows are checked."""
    return replace(
        random_pattern(8, 300, wrong_rate=wrong_rate),
        until=np.zeros(300, np.bool_),
        highz=np.zeros(300, np.uint32),
        repeat=np.ones(300, np.uint32),
    )


@pytest.mark.parametrize("repeats", [1, 2])
@pytest.mark.parametrize(("wrong_rate", "stuck"), [(0.01, 0), (0.3, 0), (0.0, OUTS)])
def test_every_wrong_bit_of_blocks_without_an_expectation_is_found(
    wrong_rate: float, stuck: int, repeats: int
) -> None:
    repeat = np.where(np.arange(300) % 7, 1, repeats).astype(np.uint32)
    pattern = replace(plain_pattern(wrong_rate), repeat=repeat)
    session, _ = join(TernPins(TernChip(stuck=stuck)))
    capture = session.run(pattern, CONDITIONS, window=(100, 150))
    expected = reference(pattern, TernChip(total=0, stuck=stuck), NRESET)
    assert len(expected.wrong) >= 3
    agrees(capture, expected)
    assert capture.window is not None
    assert words_of(capture.window) == [w for w in expected.words if 100 <= w[1] < 150]


@pytest.mark.parametrize("judged", [0, 150, 299])
def test_a_run_of_both_kinds_of_blocks_has_the_signature_of_one_kind(judged: int) -> None:
    """A test for high impedance of a pin that nothing tests otherwise has a block judged."""
    plain = plain_pattern(0.02)
    highz = np.where(np.arange(300) == judged, IO, 0).astype(np.uint32)
    for pattern in (plain, replace(plain, highz=highz)):
        session, _ = join(TernPins(TernChip()))
        expected = reference(pattern, TernChip(total=0), NRESET)
        capture = session.run(pattern, CONDITIONS)
        agrees(capture, expected)
        row, _, seen, floating = np.array(expected.words, dtype=np.uint32).T
        tested = (seen & plain.care[row]) | (floating & pattern.highz[row])
        assert capture.signature == zlib.crc32(tested.astype("<u4").tobytes())


@pytest.mark.parametrize(
    "said",
    [
        struct.pack("<BBBI", 0, 0, 0, 0),
        struct.pack("<BBBII", 0, 0, 0, 0, 0),
        struct.pack("<BBBIII", 0, 0, 0, 0, 0, 0),
    ],
    ids=["no words", "the words expected", "words of more cycles"],
)
def test_words_that_a_checked_block_cannot_have_are_no_verdict(said: bytes) -> None:
    session, _ = join(TernPins(TernChip()))
    lies(session, protocol.BLOCK, said)
    columns = {name: [0] for name in ("drive", "enable", "pulse", "expect", "care", "highz")}
    with pytest.raises(BoardMisbehaved) as caught:
        session.run(pattern_of(columns | {"repeat": [1]}, [False]), CONDITIONS)
    assert str(caught.value) == UNREADABLE


def test_a_board_that_calls_wrong_words_right_is_not_believed() -> None:
    """Its signature is another than that of the words that were expected."""
    session, board = join(TernPins(TernChip(stuck=OUTS)))
    board.engine.fulfilled = lambda _: True  # type: ignore[method-assign, assignment]
    with pytest.raises(BoardMisbehaved) as caught:
        session.run(plain_pattern(), CONDITIONS)
    assert str(caught.value) == UNREADABLE
