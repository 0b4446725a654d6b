"""The wire format: host and agent against each other, PyPI cobs, zlib, and the published check."""

from __future__ import annotations

import binascii
import platform
import zlib
from collections.abc import Callable
from types import BuiltinFunctionType

import lz4.block
import pytest
from cobs import cobs
from hypothesis import example, given
from hypothesis import strategies as st

from harness.agent import protocol
from harness.agent.protocol import Deframer
from harness.link.framing import FrameReader, make_frame, pad

PAYLOADS = [
    b"",
    b"\x00",
    b"\x00" * 300,
    b"\x01" * 250,
    b"\x01" * 251,
    bytes(range(1, 255)),
    bytes(range(256)) * 4,
    b"\xff" * (protocol.MAX_BODY - 3),
]
BODIES = [bytes((7, number, protocol.LOAD)) + payload for number, payload in enumerate(PAYLOADS)]
FRAMES = [protocol.frame(body[0], body[1], body[2], body[3:]) for body in BODIES]
STREAM = b"".join(FRAMES)


def by_agent(pieces: list[bytes]) -> list[bytes]:
    deframer = Deframer()
    return [body for piece in pieces for body in deframer.feed(piece, len(piece))]


def by_host(pieces: list[bytes]) -> list[bytes]:
    reader = FrameReader()
    return [body for piece in pieces for body in reader.feed(piece)]


Reader = Callable[[list[bytes]], list[bytes]]
READERS = [pytest.param(by_agent, id="agent"), pytest.param(by_host, id="host")]


def test_crc_has_the_published_check_value() -> None:
    # CRC-32 of IEEE 802.3 (FCS) and ITU-T V.42; the check value over "123456789" from the
    # catalogue of parametrised CRC algorithms (CRC-32/ISO-HDLC), from memory, confirmed by two
    # independent implementations.
    assert zlib.crc32(b"123456789") == binascii.crc32(b"123456789") == 0xCBF43926


@pytest.mark.skipif(
    platform.python_implementation() != "CPython", reason="other interpreters have their own"
)
def test_codecs_of_the_host_are_c_coded() -> None:
    for function in (cobs.encode, cobs.decode, zlib.crc32, lz4.block.compress):
        assert isinstance(function, BuiltinFunctionType)


@given(st.binary(max_size=1100))
@example(b"")
@example(b"\x01" * 254)
@example(b"\x01" * 255)
@example(b"\x00" * 255)
def test_stuffing_on_the_board_is_that_of_pypi_cobs(plain: bytes) -> None:
    target = bytearray(len(plain) + len(plain) // 254 + 2)
    size = protocol.stuff(plain, len(plain), target)
    assert bytes(target[:size]) == cobs.encode(plain)


@pytest.mark.parametrize(("body", "wire"), list(zip(BODIES, FRAMES, strict=True)))
def test_host_and_agent_make_the_same_frame(body: bytes, wire: bytes) -> None:
    assert make_frame(body[0], body[1], body[2], body[3:]) == wire
    sealed = cobs.decode(wire[:-1])
    assert sealed == body + zlib.crc32(body).to_bytes(4, "little")
    assert b"\x00" not in wire[:-1]


@pytest.mark.parametrize("read", READERS)
@pytest.mark.parametrize("size", [1, 2, 3, 7, 63, 64, 65, 254, 255, 1000, len(STREAM)])
def test_the_stream_may_arrive_in_pieces_of_any_size(read: Reader, size: int) -> None:
    pieces = [STREAM[at : at + size] for at in range(0, len(STREAM), size)]
    assert read(pieces) == BODIES


@pytest.mark.parametrize("read", READERS)
def test_two_frames_may_be_split_at_every_byte(read: Reader) -> None:
    two = b"".join(FRAMES[1:3])
    for at in range(len(two) + 1):
        assert read([two[:at], two[at:]]) == BODIES[1:3]


@pytest.mark.parametrize("read", READERS)
def test_a_damaged_frame_is_left_out_and_the_next_one_arrives(read: Reader) -> None:
    first, second = FRAMES[5], FRAMES[6]
    for at in range(len(first) - 1):
        flipped = first[:at] + bytes((first[at] ^ 0x10,)) + first[at + 1 :]
        dropped = first[:at] + first[at + 1 :]
        for damaged in (flipped, dropped):
            assert read([damaged + second]) == [BODIES[6]]


@pytest.mark.parametrize("read", READERS)
def test_a_doubled_byte_damages_only_its_frame(read: Reader) -> None:
    first, second = FRAMES[5], FRAMES[6]
    for at in range(len(first) - 1):
        doubled = first[: at + 1] + first[at:]
        assert read([doubled + second]) == [BODIES[6]]


@pytest.mark.parametrize("read", READERS)
def test_a_lost_end_joins_two_frames_and_loses_both_but_not_the_third(
    read: Reader,
) -> None:
    assert read([FRAMES[4][:-1] + FRAMES[5] + FRAMES[6]]) == [BODIES[6]]


@given(st.binary(max_size=3000), st.sampled_from(range(len(BODIES))))
def test_after_garbage_and_a_zero_the_next_frame_is_read(garbage: bytes, which: int) -> None:
    pieces = [garbage + b"\x00" + FRAMES[which]]
    assert by_agent(pieces)[-1] == by_host(pieces)[-1] == BODIES[which]


@given(st.lists(st.binary(max_size=200), max_size=8), st.integers(1, 97))
def test_host_and_agent_read_the_same_out_of_any_bytes(chunks: list[bytes], size: int) -> None:
    stream = b"\x00".join(chunks)
    pieces = [stream[at : at + size] for at in range(0, len(stream), size)]
    assert by_agent(pieces) == by_host(pieces)


def test_damage_is_counted() -> None:
    reader, deframer = FrameReader(), Deframer()
    damaged = b"\x05abc\x00" + b"\x03ab\x00" + FRAMES[0]
    assert reader.feed(damaged) == deframer.feed(damaged, len(damaged)) == [BODIES[0]]
    assert reader.damaged == deframer.damaged == 2


def test_a_frame_longer_than_the_boards_buffer_is_damaged_and_does_no_harm() -> None:
    deframer = Deframer(limit=32)
    stream = protocol.frame(1, 0, 5, b"x" * 40) + protocol.frame(1, 1, 5, b"y")
    assert deframer.feed(stream, len(stream)) == [b"\x01\x01\x05y"]
    assert deframer.damaged == 1


def test_the_longest_answer_is_read_even_byte_by_byte() -> None:
    body = bytes((7, 0, protocol.DONE)) + bytes(range(256)) * 12
    body = body[: protocol.MAX_ANSWER]
    wire = make_frame(body[0], body[1], body[2], body[3:])
    assert by_host([bytes((byte,)) for byte in wire]) == [body]


def test_endless_noise_without_a_zero_is_not_kept() -> None:
    reader = FrameReader()
    for _ in range(50):
        reader.feed(b"\x55" * 1000)
    assert len(reader._pending) <= 2 * protocol.MAX_ANSWER


@given(st.binary(max_size=500))
def test_padding_fills_whole_quanta_with_empty_frames(data: bytes) -> None:
    padded = pad(data)
    assert len(padded) % protocol.QUANTUM == 0
    assert padded.strip(b"\x00") == data.strip(b"\x00")


@given(
    st.lists(st.lists(st.sampled_from(PAYLOADS) | st.binary(max_size=300), max_size=3), max_size=5)
)
def test_a_board_reads_as_many_bytes_as_surely_come(writes: list[list[bytes]]) -> None:
    """Its reads return only once they are full, so one byte too many would wait for ever."""
    deframer, found, sent = Deframer(), list[bytes](), list[bytes]()
    for write in writes:
        kinds = (protocol.announced(protocol.LOAD, len(payload)) for payload in write)
        bodies = [bytes((7, 0, kind)) + payload for kind, payload in zip(kinds, write, strict=True)]
        frames = (protocol.frame(body[0], body[1], body[2], body[3:]) for body in bodies)
        wire = pad(b"".join(frames))
        sent += bodies
        while wire:
            wanted = deframer.wanted()
            assert protocol.QUANTUM <= wanted <= min(len(wire), protocol.MAX_READ)
            found += deframer.feed(wire[:wanted], wanted)
            wire = wire[wanted:]
    assert found == sent
