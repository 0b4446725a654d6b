"""Characters of a UART, words of SPI and bytes of I2C, decoded from the levels of their lines.

One rule: any levels are decoded without an error, and what does not fit the framing is a fault of
an item; an item that the last cycle cuts off is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from harness.convert.levels import UNKNOWN, LineLevels
from harness.records import Parity, SerialInterface, SerialKind

Lines = Mapping[str, LineLevels]
"""Levels by the role of the line: ``tx``, ``sck``, ``sda`` …"""

NO_STOP_BIT = "no stop bit"
WRONG_PARITY = "wrong parity"
CUT_SHORT = "cut short"
START, STOP = "start", "stop"


@dataclass(frozen=True)
class Item:
    """One character, word or byte, or a start or stop of I2C (``mark``; then there is no value).

    ``role`` is its line. It has the cycles from ``first`` to before ``end``. ``value`` has ``bits``
    bits, of which those in ``known`` are known. ``fault`` is what is wrong with its framing, as
    noticed in the cycle ``fault_at``. ``ack`` is that of I2C: 0 for acknowledged, 1 for not.
    """

    role: str
    first: int
    end: int
    value: int = 0
    known: int = 0
    bits: int = 0
    fault: str = ""
    fault_at: int = -1
    mark: str = ""
    ack: int | None = None

    @property
    def text(self) -> str:
        """``0x55 'U'``; digits that are not known are ``x``."""
        if self.mark:
            return self.mark
        text = value_text(self.value, self.bits)
        if self.known != (1 << self.bits) - 1:
            places = reversed(range(self.bits))
            digits = (str(self.value >> k & 1) if self.known >> k & 1 else "x" for k in places)
            text = f"0b{''.join(digits)}" if self.known else "any"
        acks = {0: ", acknowledged", 1: ", not acknowledged", None: ""}
        return text + acks[self.ack]


def value_text(value: int, bits: int) -> str:
    """``0x55 'U'``: the number, and its character if it has a visible one."""
    text = f"0x{value:0{(bits + 3) // 4}X}"
    return f"{text} '{chr(value)}'" if bits <= 9 and 0x20 < value < 0x7F else text


def decode(port: SerialInterface, lines: Lines, *, from_rest: bool = True) -> tuple[Item, ...]:
    """Decode what goes over the lines of an interface, by first cycle.

    ``from_rest`` says that the lines are at rest before the first cycle; otherwise a transfer of
    SPI that may have begun before is left out, and characters begin where :func:`stream_start`
    says.
    Lines without which nothing can be decoded give nothing. All have the same length.
    """
    decoders = {SerialKind.UART: _uart, SerialKind.SPI: _spi, SerialKind.I2C: _i2c}
    items = decoders[port.kind](port, lines, from_rest)
    return tuple(sorted(items, key=lambda item: item.first))


def stream_start(port: SerialInterface, line: LineLevels) -> int:
    """The first cycle of the first whole character on a line whose past is not known.

    That is after the first rest that lasts as long as a character. Without one, any fall of the
    line may be a start bit: the one after which the fewest characters are faulty is taken.
    """
    low = np.flatnonzero(line.level == 0)
    if not len(low) or low[0] >= port.frame_cycles:
        return 0
    gaps = np.flatnonzero(np.diff(low) > port.frame_cycles)
    if len(gaps):
        return int(low[gaps[0]]) + 1
    falls = low[np.diff(low, prepend=-2) > 1]
    tries = [int(fall) for fall in falls if fall <= port.frame_cycles + port.bit_cycles]
    faults = [sum(bool(c.fault) for c in _characters(port, "", line, fall)) for fall in tries]
    return tries[int(np.argmin(faults))]


def _uart(port: SerialInterface, lines: Lines, from_rest: bool) -> Iterator[Item]:
    for role in ("rx", "tx"):
        if role in lines:
            start = 0 if from_rest else stream_start(port, lines[role])
            yield from _characters(port, role, lines[role], start)


def _characters(port: SerialInterface, role: str, line: LineLevels, at: int) -> Iterator[Item]:
    low, high = np.flatnonzero(line.level == 0), np.flatnonzero(line.level == 1)
    half = port.bit_cycles // 2
    while (index := np.searchsorted(low, at)) < len(low):
        first = int(low[index])
        item = _character(port, role, line, first)
        if item is None:  # no start bit in its middle: a glitch
            at = first + 1
            continue
        if item.end - port.bit_cycles + half >= len(line):
            return
        yield item
        at = item.end - port.bit_cycles + half + 1
        if item.fault == NO_STOP_BIT:
            after = np.searchsorted(high, item.fault_at)
            at = int(high[after]) if after < len(high) else len(line)


def _character(port: SerialInterface, role: str, line: LineLevels, first: int) -> Item | None:
    n, place = port.bit_cycles, first + port.bit_cycles
    if line.bit(first, n) == 1:
        return None
    item = _word(role, [line.bit(place + k * n, n) for k in range(port.data_bits)], port.lsb_first)
    place += port.data_bits * n
    item = replace(item, first=first, end=first + port.frame_cycles)
    if port.parity is not Parity.NONE:
        ones = item.value.bit_count() + line.bit(place, n)
        whole = item.known == (1 << item.bits) - 1 and line.bit(place, n) != UNKNOWN
        if whole and ones % 2 != (port.parity is Parity.ODD):
            item = replace(item, fault=WRONG_PARITY, fault_at=place + n // 2)
        place += n
    for k in range(port.stop_bits):
        if line.bit(place + k * n, n) == 0:
            return replace(item, fault=NO_STOP_BIT, fault_at=place + k * n + n // 2)
    return item


def _word(role: str, bits: list[int], lsb_first: bool) -> Item:
    """Put bits together that came in this order; where and when is added by the caller."""
    ordered = bits if lsb_first else bits[::-1]
    value = sum(1 << k for k, bit in enumerate(ordered) if bit == 1)
    known = sum(1 << k for k, bit in enumerate(ordered) if bit != UNKNOWN)
    return Item(role, 0, 0, value, known, len(bits))


def _spi(port: SerialInterface, lines: Lines, from_rest: bool) -> list[Item]:
    """Take a bit of each data line at each sampling edge while the chip is selected."""
    if not {"sck", "cs"} <= lines.keys():
        return []
    active = lines["cs"].level == int(port.cs_active_high)
    items: list[Item] = []
    taken: list[tuple[int, dict[str, int]]] = []
    skipping = not from_rest and len(active) > 0 and bool(active[0])
    for at in range(len(active)):
        if not active[at]:
            items += _spi_words(port, taken, CUT_SHORT)
            taken, skipping = [], False
        elif not skipping:
            taken += [(at, bits) for bits in _spi_bits(port, lines, at)]
            if len(taken) == port.data_bits:
                items += _spi_words(port, taken, "")
                taken = []
    return items


def _spi_bits(port: SerialInterface, lines: Lines, at: int) -> Iterator[dict[str, int]]:
    """Bits taken in a cycle: ``mosi`` as driven in it, ``miso`` as it was just before the edge."""
    sck, before = lines["sck"], max(at - 1, 0)
    path = [sck.at(before), sck.at(at)]
    if sck.pulsed[at]:
        path += [1 - path[-1], path[-1]]
    selected = before < at and lines["cs"].at(before) == int(port.cs_active_high)
    edges = [new > old for old, new in pairwise(path) if old != new and UNKNOWN not in (old, new)]
    for number, rises in enumerate(edges):
        if rises == (port.mode in (0, 3)):
            when = {"mosi": at, "miso": at if number else before if selected else UNKNOWN}
            yield {role: lines[role].at(when[role]) for role in when if role in lines}


def _spi_words(
    port: SerialInterface, taken: list[tuple[int, dict[str, int]]], fault: str
) -> Iterator[Item]:
    if not taken:
        return
    first, last = taken[0][0], taken[-1][0]
    for role in taken[0][1]:
        word = _word(role, [bits[role] for _, bits in taken], port.lsb_first)
        at = last if fault else -1
        yield replace(word, first=first, end=last + 1, fault=fault, fault_at=at)


def _i2c(_port: SerialInterface, lines: Lines, _from_rest: bool) -> list[Item]:
    """Take a bit of ``sda`` at each rising edge of ``scl`` after a start, where a byte begins."""
    if not {"scl", "sda"} <= lines.keys():
        return []
    scl, sda = lines["scl"], lines["sda"]
    items: list[Item] = []
    bits: list[tuple[int, int]] = []
    started = False
    for at in range(1, len(scl)):
        high = scl.at(at) == 1
        if high and scl.at(at - 1) == 1 and {sda.at(at - 1), sda.at(at)} == {0, 1}:
            begins = sda.at(at) == 0
            items.append(Item("sda", at, at + 1, mark=START if begins else STOP))
            bits, started = [], begins
        elif high and scl.at(at - 1) == 0 and started:
            bits.append((at, _i2c_bit(scl, sda, at)))
            if len(bits) == 9:
                items.append(_i2c_byte(bits))
                bits = []
    return items


def _i2c_bit(scl: LineLevels, sda: LineLevels, rise: int) -> int:
    """The level of ``sda`` while ``scl`` is high, or else just before."""
    at = rise
    while sda.at(at) == UNKNOWN and scl.at(at) == 1:
        at += 1
    return sda.at(at) if scl.at(at) == 1 else sda.at(rise - 1)


def _i2c_byte(bits: list[tuple[int, int]]) -> Item:
    word = _word("sda", [bit for _, bit in bits[:8]], lsb_first=False)
    ack = bits[8][1]
    return replace(word, first=bits[0][0], end=bits[8][0] + 1, ack=None if ack == UNKNOWN else ack)
