"""The frame of a JESD3 transmission: STX, characters, ETX, and the checksum over all of them.

One rule: what is between STX and ETX is trusted only if the checksum says so, or says that there is
none (0000).
"""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np

STX, ETX = b"\x02", b"\x03"
SPACE = b" \t\r\n"

Report = Callable[[str, int, str, str], None]
"""Takes a finding: rule, offset, message, advice."""

_SUM = re.compile(rb"[ \t\r\n]*([0-9A-Fa-f]{4})(?![0-9A-Fa-f])")
_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


def transmission_sum(block: bytes) -> int:
    """Add up the characters from STX to ETX without their parity bits, modulo 65,536."""
    return int((np.frombuffer(block, np.uint8) & 0x7F).sum(dtype=np.int64)) & 0xFFFF


def framed(body: bytes) -> bytes:
    """Put characters into a frame with its checksum."""
    block = STX + body + ETX
    return block + f"{transmission_sum(block):04X}\r\n".encode()


def unframed(data: bytes, error: Report, warn: Report) -> range:
    """Return the offsets between STX and ETX; empty after an error about where they are."""
    start = data.find(STX)
    if start < 0:
        message = "the file has no STX character (0x02), with which JESD3 data begins"
        error("jesd3-frame", 0, message, "check that this is a JEDEC file with its beginning")
        return range(0)
    if ETX in data[:start]:
        message = "a transmission ends before STX"
        error("jesd3-outside", 0, message, "keep one transmission in each file")
    elif data[:start].strip(SPACE):
        warn("jesd3-outside", 0, "the text before STX is ignored", "check what it is")
    end = data.find(ETX, start)
    if end < 0:
        message = "the file has no ETX character (0x03), so it is cut off"
        error("jesd3-frame", len(data), message, "get the whole file")
        return range(0)
    odd = _CONTROL.search(data, start + 1, end)
    if odd is not None:
        message = f"0x{odd[0][0]:02X} is not a character of a JESD3 file"
        error("jesd3-frame", odd.start(), message, "get an undamaged file")
    _check_sum(data, start, end, error)
    return range(start + 1, end)


def _check_sum(data: bytes, start: int, end: int, error: Report) -> None:
    match = _SUM.match(data, end + 1)
    if match is None:
        message = "the transmission checksum, four hexadecimal digits after ETX, is missing"
        error("jesd3-checksum", end + 1, message, "get the whole file, or write 0000 for none")
        return
    if data[match.end() :].strip(SPACE + b"\x1a"):  # some systems end a text with 0x1A
        message = "text follows the transmission checksum"
        error("jesd3-outside", match.end(), message, "keep one transmission in each file")
    block, expected = data[start : end + 1], int(match[1], 16)
    total = transmission_sum(block)
    if expected not in {0, total}:
        message = (
            f"the transmission checksum is {expected:04X}, but the characters from STX to ETX "
            f"add up to {total:04X}"
        )
        error("jesd3-checksum", match.start(1), message, _advice(block, expected))


def _advice(block: bytes, expected: int) -> str:
    """Say whether converted line breaks explain a wrong checksum."""
    bare = block.replace(b"\r\n", b"\n")
    if expected in {transmission_sum(bare), transmission_sum(bare.replace(b"\n", b"\r\n"))}:
        return "its line breaks were converted: copy the file unchanged, or write 0000"
    return "get an undamaged file, or write 0000 if it was edited by hand"
