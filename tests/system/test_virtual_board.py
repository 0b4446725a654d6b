"""A session with a board, on a real pseudo-terminal with the real interpreter behind it."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
import serial

from harness.board import RunConditions, Session, greeting, open_session
from harness.errors import (
    BoardMisbehaved,
    BoardSilent,
    Cancelled,
    LinkError,
    PortUnavailable,
)
from harness.link import RawRepl
from harness.table import Pattern
from harness.virtual import VirtualRack
from harness.virtual.chip import ChipModel
from harness.virtual.faults import BitErrors, DroppedBytes, Stall, Unplug
from tests.system.virtual import (
    HURRIED,
    UPLOAD_BYTES,
    profile,
    session,
    shuttle,
    spec,
    vectors,
)

OUTPUTS = 511 << 9
FREE = RunConditions(clock_hz=1e6)
NEVER_STOPS = """\
import time
while True:
    try:
        while True:
            {body}
            time.sleep_ms(20)
    except KeyboardInterrupt:
        pass
"""
BAD_CABLES = {
    "few flipped bits": BitErrors(1e-5, seed=3),
    "flipped bits": BitErrors(1e-4, seed=4),
    "many flipped bits": BitErrors(1e-3, seed=5),
    "few lost bytes": DroppedBytes(1e-4, seed=6),
    "lost bytes": DroppedBytes(1e-3, seed=7),
    "a stall": Stall(at_byte=20_000, seconds=1.0),
}
BY_DAY = ("few flipped bits", "few lost bytes", "a stall")
UNPLUGGED_AT = (10, 700, 3_000, 20_000, 30_000)
GARBAGE = r"print('\x00\xff\x9c', end='')"

BOARDS = [
    spec(slot="good"),
    spec(slot="drawing", supply_ma=42.0),
    spec(slot="silent", program=NEVER_STOPS.format(body="pass")),
    spec(slot="busy", program=NEVER_STOPS.format(body="print('busy')")),
    spec(slot="garbage", program=NEVER_STOPS.format(body=GARBAGE)),
    spec(slot="no memory", heap=40_000),
    spec(slot="little memory", heap=150_000),
    spec(slot="stand-in", stand_in=True),
    *[spec(slot=name, link_faults=(fault,)) for name, fault in BAD_CABLES.items()],
    spec(slot="one bit in 10,000", link_faults=(BitErrors(1e-4, seed=13),)),
    *[spec(slot=f"unplugged at {at}", link_faults=(Unplug(at),)) for at in UNPLUGGED_AT],
]


@pytest.fixture(scope="module")
def ports() -> Iterator[dict[str, str]]:
    """One rack for the module: a board of each kind."""
    with VirtualRack(BOARDS) as rack:
        yield rack.ports


@cache
def truth() -> Pattern:
    """All inputs of the 3-to-8 decoder three times over, with what its gates answer."""
    drive = np.tile(np.arange(512, dtype=np.uint32), 3)
    chip = ChipModel(shuttle(), profile().select, "SP2-0001")
    select_on(chip)
    rest = np.uint32(1 << 23)
    enable = np.full(len(drive), 511 | 0xF << 22, np.uint32)
    zero = np.zeros_like(drive)
    seen, _ = chip.run(drive | rest, enable, zero, zero)
    return vectors(drive, seen & np.uint32(OUTPUTS), OUTPUTS)


def select_on(chip: ChipModel) -> None:
    """Shift the decoder's address into a chip model by hand, most significant bit first."""
    address = shuttle().designs_by_name["dec138"].address
    bits = [address >> place & 1 for place in reversed(range(profile_bits()))]
    drive = np.array([bit << 24 for bit in bits], dtype=np.uint32)
    enable = np.full(len(bits), 511 | 0xF << 22, np.uint32)
    chip.run(drive, enable, np.full(len(bits), 1 << 25, np.uint32), np.zeros(len(bits), np.uint32))


def profile_bits() -> int:
    """How long the demo board's shift register is."""
    select = profile().select
    bits = getattr(select, "bits", 0)
    assert bits
    return int(bits)


def test_an_upload_takes_the_bytes_that_other_tests_count_from(
    ports: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    passed = []
    for name in ("read", "write"):
        plain = getattr(serial.Serial, name)

        def counted(port: serial.Serial, what: Any = 1, plain: Any = plain) -> Any:
            given = plain(port, what)
            passed.append(len(given if isinstance(given, bytes) else what))
            return given

        monkeypatch.setattr(serial.Serial, name, counted)
    with session(ports["good"]):
        assert sum(passed) == pytest.approx(UPLOAD_BYTES, abs=1_500)


def run_decoder(opened: Session) -> int:
    """Mismatches of the decoder's truth table on a board."""
    opened.select(shuttle().designs_by_name["dec138"])
    return opened.run(truth(), FREE).mismatch_count


def wrong_in(row: int) -> Pattern:
    """The truth table with one wrong expectation."""
    expect = truth().expect.copy()
    expect[row] ^= np.uint32(1 << 9)
    return vectors(truth().drive, expect, OUTPUTS)


def test_a_good_board_answers_as_its_gates_do_and_says_who_it_is(ports: dict[str, str]) -> None:
    with session(ports["good"]) as opened:
        assert opened.identity.board_serial == "WB-01"
        assert opened.identity.interpreter.startswith("micropython ")
        assert not opened.identity.exact
        assert run_decoder(opened) == 0


def test_a_wrong_expectation_comes_back_with_its_cycle_pin_and_window(
    ports: dict[str, str],
) -> None:
    with session(ports["good"]) as opened:
        opened.select(shuttle().designs_by_name["dec138"])
        capture = opened.run(wrong_in(700), FREE, window=(698, 703))
    assert [(m.cycle, m.row, m.wrong) for m in capture.mismatches] == [(700, 700, 1 << 9)]
    assert capture.pin_counts == {9: 1}
    assert capture.window is not None
    assert capture.window.cycle.tolist() == [698, 699, 700, 701, 702]
    assert (capture.window.seen & np.uint32(OUTPUTS) == truth().expect[698:703]).all()


def test_the_boards_own_program_starts_again(ports: dict[str, str]) -> None:
    url = ports["good"]
    with session(url) as opened:
        run_decoder(opened)
    with serial.Serial(url, timeout=0.1) as watched:
        heard = b""
        end = time.monotonic() + 10
        while b"own program is alive" not in heard and time.monotonic() < end:
            heard += watched.read(4096)
    assert b"board WB-01: own program is alive" in heard


def test_an_agent_whose_host_died_is_sent_away_by_the_next_host(ports: dict[str, str]) -> None:
    left_behind = open_session(ports["good"], profile(), shuttle())
    left_behind._channel.port.close()
    with session(ports["good"]) as opened:
        assert run_decoder(opened) == 0


def test_an_agent_that_starts_anew_without_a_reset_still_reaches_its_chip(
    ports: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bad link loses resets, and the words by which an agent says that it has started."""
    monkeypatch.setattr(RawRepl, "enter", RawRepl.reach_prompt)
    monkeypatch.setattr(RawRepl, "leave", lambda _: None)
    for _ in range(2):
        with session(ports["good"]) as opened:
            assert opened.identity.board_serial == "WB-01"


def test_a_second_host_is_told_that_the_port_is_in_use(ports: dict[str, str]) -> None:
    url = ports["good"]
    with session(url), pytest.raises(PortUnavailable) as caught:
        open_session(url, profile(), shuttle())
    assert str(caught.value) == (
        f"{url}: the port is in use by another program; close that program and run again"
    )


def test_a_board_that_says_nothing_is_reported_as_silent(ports: dict[str, str]) -> None:
    with pytest.raises(BoardSilent) as caught:
        open_session(ports["silent"], profile(), shuttle())
    assert str(caught.value) == (
        "the board sends nothing; check power and cable, press its reset button, "
        "and check that it runs MicroPython"
    )


@pytest.mark.parametrize("slot", ["busy", "garbage"])
def test_a_program_that_never_stops_or_talks_garbage_is_reported(
    ports: dict[str, str], slot: str
) -> None:
    with pytest.raises(BoardMisbehaved, match="press its reset button"):
        open_session(ports[slot], profile(), shuttle())


def test_an_interpreter_without_memory_is_reported(ports: dict[str, str]) -> None:
    with pytest.raises(BoardMisbehaved, match="ran out of memory"):
        open_session(ports["no memory"], profile(), shuttle())


def test_a_small_interpreter_gets_smaller_blocks_and_the_same_answers(
    ports: dict[str, str],
) -> None:
    with session(ports["little memory"]) as opened:
        assert opened._room.rows < 1024
        assert run_decoder(opened) == 0


def test_an_agent_of_another_version_is_refused(
    ports: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(greeting, "AGENT", "9.9")
    with pytest.raises(BoardMisbehaved, match=r"agent 1\.1 with protocol 3"):
        open_session(ports["good"], profile(), shuttle())


@pytest.mark.parametrize(
    "at_byte",
    [
        # At the prompt, in the upload and in a run; by night at more places of these.
        pytest.param(at, marks=[] if at in {10, 3_000, 30_000} else [pytest.mark.nightly])
        for at in UNPLUGGED_AT
    ],
)
def test_an_unplugged_board_is_lost_and_gives_no_capture(
    ports: dict[str, str], at_byte: int
) -> None:
    with pytest.raises(LinkError):
        run_until_it_fails(ports[f"unplugged at {at_byte}"])


def run_until_it_fails(url: str) -> None:
    """Run the decoder over and over; every run that ends is right."""
    opened = open_session(url, profile(), shuttle(), HURRIED)
    for _ in range(100):
        assert run_decoder(opened) == 0


@pytest.mark.parametrize(
    "slot",
    [
        # Worse cables repeat an upload for up to a minute; that alone is in
        # tests/unit/link/test_upload, and one bit in 10,000 in the next test.
        pytest.param(slot, marks=[] if slot in BY_DAY else [pytest.mark.nightly])
        for slot in BAD_CABLES
    ],
)
def test_a_bad_cable_gives_the_right_answer_or_an_error(ports: dict[str, str], slot: str) -> None:
    try:
        with session(ports[slot]) as opened:
            good = run_decoder(opened)
            bad = opened.run(wrong_in(5), FREE).mismatch_count
    except LinkError:
        return
    assert (good, bad) == (0, 1)


def test_the_agent_gets_onto_a_board_through_a_wire_that_flips_one_bit_in_10_000(
    ports: dict[str, str],
) -> None:
    """Nearly every time; a try that fails says so, and the next one begins from nothing."""
    for _ in range(4):
        with suppress(BoardMisbehaved, BoardSilent):
            with session(ports["one bit in 10,000"]) as opened:
                assert opened.identity.board_serial == "WB-01"
            return
    pytest.fail("four tries were not enough")


def test_a_run_is_stopped_from_another_thread_within_seconds(ports: dict[str, str]) -> None:
    forever = vectors(np.zeros(1, np.uint32), np.zeros(1, np.uint32), OUTPUTS)
    long = replace(forever, repeat=np.array([0x7FFFFFF0], np.uint32))
    with session(ports["good"]) as opened:
        opened.select(shuttle().designs_by_name["dec138"])
        timer = threading.Timer(0.5, opened.cancel)
        timer.start()
        began = time.monotonic()
        with pytest.raises(Cancelled):
            opened.run(long, FREE)
        assert time.monotonic() - began < 5
        assert run_decoder(opened) == 0


def test_the_stand_in_interpreter_passes_the_same_session(ports: dict[str, str]) -> None:
    for _ in range(2):
        with session(ports["stand-in"]) as opened:
            assert opened.identity.interpreter.startswith("cpython ")
            assert run_decoder(opened) == 0
            assert opened.run(wrong_in(1), FREE).mismatch_count == 1


@pytest.mark.nightly
def test_a_board_survives_any_number_of_sessions_in_quick_succession(
    ports: dict[str, str],
) -> None:
    for _ in range(8):
        with session(ports["good"]) as opened:
            assert opened.identity.board_serial == "WB-01"


@pytest.mark.parametrize(("slot", "told"), [("drawing", 42.0), ("good", None)])
def test_a_board_tells_its_supply_current_if_it_can(
    ports: dict[str, str], slot: str, told: float | None
) -> None:
    with session(ports[slot]) as opened:
        assert opened.supply_ma() == (pytest.approx(told, abs=0.1) if told else None)
