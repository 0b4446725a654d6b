"""The engine on its own: commands in, answers out, with a small chip behind plain Python pins."""

from __future__ import annotations

import gc
import json
import struct
from array import array
from binascii import crc32

import numpy as np
import pytest

from harness.agent import codec, protocol
from harness.agent.codec import ROW_BYTES, fitting
from harness.agent.engine import Aborted, Engine, Refused
from tests.unit.agent.tern import CLK, INS, IO, NRESET, OUTS, TernChip, TernPins
from tests.unit.board.bodies import encode_planes

Row = dict[str, int]
DRIVEN = INS | CLK | NRESET


def row(value: int = 0, **fields: int) -> Row:
    """A vector that adds ``value``; not tested unless ``expect`` or ``highz`` says so."""
    given = {"drive": value | NRESET, "enable": DRIVEN, "pulse": CLK, "repeat": 1} | fields
    if "total" in given:
        given |= {"expect": given.pop("total") << 8, "care": OUTS}
    return {name: given.get(name, 0) for name in protocol.FIELDS}


def until(limit: int, value: int = 1, **fields: int) -> Row:
    return row(value, repeat=protocol.UNTIL | limit, **fields)


class Rig:
    """An engine on a chip whose total is 0, with the answers taken apart."""

    def __init__(self, rows: int = 32, stuck: int = 0) -> None:
        self.chip = TernChip(stuck=stuck, total=0)
        self.engine = Engine(TernPins(self.chip), rows)
        self.start()

    def start(self, first: int = 0, stop: int = 0) -> None:
        assert self.engine.command(protocol.START, struct.pack("<IIB", first, stop, 0)) == b""

    def block(self, *rows: Row) -> tuple[list[tuple[int, ...]], ...]:
        """Run a block; return mismatches, until rows and window words."""
        fields = tuple(
            np.array([row[name] for row in rows], dtype=np.uint32) for name in protocol.FIELDS
        )
        self.engine.command(protocol.LOAD, encode_planes(fields))
        flags = protocol.REPEATS if any(row["repeat"] != 1 for row in rows) else 0
        answer = self.engine.command(protocol.BLOCK, struct.pack("<BH", flags, len(rows)))
        found, untils, words = answer[:3]
        at = 3
        lists: list[list[tuple[int, ...]]] = []
        for count, layout in ((found, "<IHIIII"), (untils, "<HI"), (words, "<IHIII")):
            size = struct.calcsize(layout)
            lists.append([struct.unpack_from(layout, answer, at + size * k) for k in range(count)])
            at += size * count
        assert at == len(answer) <= protocol.MAX_ANSWER
        return tuple(lists)

    def totals(self) -> tuple[int, int, int, dict[int, int]]:
        """Cycles, mismatches, signature, mismatches by pin."""
        answer = self.engine.command(protocol.TOTALS, b"")
        cycles, bad, crc, _pauses, _took = struct.unpack_from("<IIIIQ", answer)
        return cycles, bad, crc, dict(struct.iter_unpack("<BI", answer[24:]))


def test_a_block_that_matches_gives_counts_only() -> None:
    rig = Rig()
    assert rig.block(row(3, total=3), row(4, total=7), row(0, total=7)) == ([], [], [])
    assert rig.totals()[:2] == (3, 0)
    assert rig.totals()[3] == {}


def test_a_mismatch_says_where_and_what_was_seen() -> None:
    rig = Rig()
    found, _, _ = rig.block(row(3, total=3), row(4, total=6), row(0, total=7))
    seen = (7 << 8) | 4 | NRESET
    assert [(entry[0], entry[1], entry[2], entry[3], entry[5]) for entry in found] == [
        (1, 1, 0, seen & ~IO, 1 << 8)
    ]
    assert rig.totals()[1] == 1
    assert rig.totals()[3] == {8: 1}


def test_a_repeated_row_is_run_that_often_and_reports_the_repetition() -> None:
    rig = Rig(rows=8)
    found, _, _ = rig.block(row(1, repeat=20), row(0, total=20), row(1, repeat=3, total=22))
    assert [(cycle, index, passed) for cycle, index, passed, *_ in found] == [
        (21, 2, 0),
        (23, 2, 2),
    ]
    assert rig.totals()[0] == 24


def test_until_stops_at_the_first_match_and_reports_the_cycles_used() -> None:
    rig = Rig()
    found, untils, _ = rig.block(row(0, total=0), until(50, total=9), row(0, total=9))
    assert (found, untils) == ([], [(1, 9)])
    assert rig.totals()[:2] == (11, 0)


def test_until_that_never_matches_is_one_mismatch_after_the_limit() -> None:
    rig = Rig()
    found, untils, _ = rig.block(until(5, total=9))
    assert untils == [(0, 5)]
    assert [(cycle, index, passed) for cycle, index, passed, *_ in found] == [(4, 0, 4)]
    assert rig.totals()[:2] == (5, 1)


def test_until_is_cut_into_parts_so_that_the_board_can_look_up() -> None:
    rig = Rig()
    looked: list[int] = []
    rig.engine.look_up = lambda: looked.append(rig.chip.total)
    rig.block(until(10_000, 0, total=10))
    assert looked[:2] == [0, 0]
    assert rig.totals()[0] == 10_000


@pytest.mark.parametrize(("total", "floats"), [(0x10, True), (0x90, False), (0x91, False)])
def test_a_floating_pin_passes_the_test_for_high_impedance(total: int, *, floats: bool) -> None:
    rig = Rig()
    found, _, _ = rig.block(row(total, highz=IO))
    assert [entry[5] for entry in found] == ([] if floats else [IO])


def test_the_window_gives_every_word_requested_and_no_others() -> None:
    rig = Rig(rows=8)
    rig.start(2, 6)
    words = [*rig.block(*[row(1)] * 4)[2], *rig.block(*[row(1)] * 4)[2]]
    assert [(cycle, index) for cycle, index, *_ in words] == [(2, 2), (3, 3), (4, 0), (5, 1)]
    assert [entry[3] >> 8 & 0xFF for entry in words] == [3, 4, 5, 6]


def test_the_window_is_bounded() -> None:
    rig = Rig(rows=64)
    rig.start(0, 1000)
    assert [len(rig.block(*[row(1)] * 40)[2]) for _ in range(3)] == [40, 24, 0]


def test_mismatches_kept_are_bounded_and_all_are_counted() -> None:
    rig = Rig(rows=64, stuck=OUTS)
    kept = [len(rig.block(*[row(1, expect=0x0300, care=0x0300)] * 40)[0]) for _ in range(3)]
    assert kept == [40, protocol.MAX_KEPT - 40, 0]
    assert rig.totals()[:2] == (120, 120)
    assert rig.totals()[3] == {8: 120, 9: 120}


def test_the_signature_is_the_crc_of_every_tested_word() -> None:
    rig = Rig(rows=4)
    rig.block(row(5, total=5), row(6), row(1, repeat=5, total=99), until(9, total=0x12))
    tested = [5, 0, 12, 13, 14, 15, 16, 18]
    assert rig.totals()[2] == crc32(array("I", [word << 8 for word in tested]))


def test_start_forgets_counts_and_half_a_loaded_block() -> None:
    rig = Rig(stuck=OUTS)
    rig.block(row(1, total=1))
    rig.engine.command(protocol.LOAD, b"half a block")
    rig.start()
    assert rig.totals() == (0, 0, 0, {})
    rig.block(row(0, total=0))
    assert rig.totals()[:2] == (1, 0)


def test_hello_says_who_answers() -> None:
    rig = Rig()
    hello = json.loads(rig.engine.command(protocol.HELLO, b""))
    assert hello["protocol"] == protocol.VERSION
    assert hello["board"] == "T-01"
    assert hello["backend"] == "tern"
    assert hello["rows"] == 32
    assert hello["exact"] is False
    assert hello["interpreter"].startswith("cpython 3.")


def test_timing_is_answered_with_the_time_of_a_cycle() -> None:
    answer = Rig().engine.command(protocol.TIMING, struct.pack("<III", 20_000_000, 5, 0))
    assert struct.unpack("<II", answer) == (20_000_000, 1)


@pytest.mark.parametrize(
    ("kind", "payload", "text"),
    [
        (200, b"", "unknown command 200"),
        (protocol.BLOCK, struct.pack("<BH", 0, 33), "block of 33 vectors, room for 32"),
        (
            protocol.LOAD,
            bytes(codec.body_size(32) + 65),
            f"block body of more than {codec.body_size(32) + 64} bytes",
        ),
    ],
)
def test_an_impossible_command_is_refused(kind: int, payload: bytes, text: str) -> None:
    with pytest.raises(Refused) as caught:
        Rig().engine.command(kind, payload)
    assert str(caught.value) == text


def test_an_abort_between_two_bursts_leaves_an_engine_that_starts_again() -> None:
    rig = Rig(rows=8)

    def stop() -> None:
        raise Aborted

    rig.engine.look_up = stop
    with pytest.raises(Aborted):
        rig.block(*[row(1)] * 8)
    assert rig.chip.total == 1
    rig.engine.look_up = None
    rig.start()
    assert rig.block(row(1, total=2)) == ([], [], [])


def test_a_board_short_of_memory_takes_smaller_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    reserve = Engine.reserve

    def small(self: Engine, rows: int) -> None:
        if rows > 256:
            raise MemoryError
        reserve(self, rows)

    monkeypatch.setattr(Engine, "reserve", small)
    assert Engine(TernPins(TernChip())).rows == 256


@pytest.mark.parametrize(
    ("wanted", "free", "rows"),
    [
        (1024, 8_000_000, 1024),
        (1024, 3 * 1024 * 94 // 2, 1024),
        (1024, 3 * 1024 * 94 // 2 - 1, 512),
        (1024, 190_000, 1024),  # a plain RP2040 under MicroPython, with the agent loaded
        (1024, 60_000, 256),
        (1024, 1_000, 32),
    ],
)
def test_a_block_is_as_large_as_leaves_a_third_of_the_memory(
    wanted: int, free: int, rows: int
) -> None:
    assert fitting(wanted, free, 94) == rows


def test_a_row_takes_the_bytes_that_the_arithmetic_says() -> None:
    def taken(rows: int) -> int:
        engine = Engine(TernPins(TernChip()), rows)
        given = [engine.block, engine.work]
        taken = [field for block in given for field in (*block.fields, block.plane)]
        taken += [engine.seen, engine.floating, engine.wrong, engine.tested]
        taken += [engine.row_of, engine.pass_of]
        size = sum(memoryview(field).nbytes for field in taken)
        return size + len(engine.body) + len(engine.raw)

    assert taken(1024) - taken(512) == 512 * ROW_BYTES[False]


def test_a_board_without_any_memory_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(self: Engine, rows: int) -> None:
        raise MemoryError

    monkeypatch.setattr(Engine, "reserve", none)
    monkeypatch.setattr(gc, "mem_free", lambda: 5120, raising=False)
    with pytest.raises(Refused) as caught:
        Engine(TernPins(TernChip())).command(protocol.HELLO, b"")
    assert str(caught.value) == (
        "the smallest block, of 32 vectors, takes 3008 bytes, and the board has 5120 free, in "
        "pieces; take large modules out of its boot program"
    )
