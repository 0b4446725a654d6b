"""What went over a design's serial interfaces in the words of a failing table. Pure.

One rule: everything comes from the stored record; what the table expects and what was read are
decoded in the same way and set side by side.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.convert.decode import Item, Lines, decode, stream_start
from harness.convert.levels import UNKNOWN, LineLevels, Words, expected_levels, observed_levels
from harness.errors import many
from harness.records import LongWindow, SerialInterface, SerialKind, unpacked_words

TO_CHIP = ("rx", "mosi")
"""Roles of lines that the controller drives: there is nothing to compare."""


@dataclass(frozen=True)
class Exchange:
    """One character, word, byte, start or stop on a line of a serial interface.

    ``cycle`` is its first cycle and ``line`` that of the table's file. ``expected`` is empty for
    what the controller sends and for what the table does not expect, ``observed`` is empty if
    nothing came. ``trouble`` says what is wrong besides the value; ``wrong`` says that it is not
    what the table expects.
    """

    serial: str
    signal: str
    from_chip: bool
    cycle: int
    line: int
    expected: str
    observed: str
    trouble: str
    wrong: bool

    @property
    def text(self) -> str:
        """``console txd, cycle 84, line 12: expected 0x55 'U', observed 0x54 'T'``."""
        parts = [f"expected {self.expected}" if self.expected else ""]
        parts += [f"observed {self.observed or 'nothing'}", self.trouble]
        place = f"{self.serial} {self.signal}, cycle {self.cycle:,}, line {self.line}"
        return f"{place}: {', '.join(part for part in parts if part)}"


def exchanges(window: LongWindow, ports: Sequence[SerialInterface]) -> tuple[Exchange, ...]:
    """Decode the words of a window, by cycle. Raises ValueError for damaged words."""
    columns = unpacked_words(window)
    words = {name: np.array(column, np.uint32) for name, column in columns.items()}
    seen = [
        exchange
        for port in ports
        for exchange in _Reader(window, port, words).read(columns["line"])
    ]
    return tuple(sorted(seen, key=lambda exchange: exchange.cycle))


@dataclass(frozen=True, eq=False)
class _Reader:
    """Reads the words of a window as the traffic of one interface."""

    window: LongWindow
    port: SerialInterface
    words: Mapping[str, Words]

    def read(self, table_lines: Sequence[int]) -> Iterator[Exchange]:
        """Give what went over each line, compared with the table where the chip sends."""
        expected, observed = self._lines()
        wanted, read = self._decoded(expected), self._decoded(observed)
        for role in dict.fromkeys(item.role for item in (*wanted, *read)):
            of_role = [item for item in read if item.role == role]
            mine = [item for item in wanted if item.role == role and role not in TO_CHIP]
            for want, got in _paired(mine, of_role, self.port.frame_cycles // 2):
                trouble = self._trouble(want, got, observed[role])
                yield self._exchange(role, want, got, trouble, expected[role], table_lines)

    def _lines(self) -> tuple[dict[str, LineLevels], dict[str, LineLevels]]:
        """Expected and observed levels of the lines that the table has."""
        bits = {name: bit for bit, name in enumerate(self.window.signals)}
        held = {role: bits[name] for role, name in self.port.lines.items() if name in bits}
        tested_only = self.port.kind is SerialKind.I2C and not self.port.pull_up
        expected = {role: expected_levels(self.words, bit) for role, bit in held.items()}
        observed = {
            role: observed_levels(self.words, bit, tested_only=tested_only)
            for role, bit in held.items()
        }
        if self.port.kind is SerialKind.UART and self.window.cycle > 0:
            for role in held:
                start = stream_start(self.port, expected[role])
                expected[role] = expected[role].rested(start)
                observed[role] = observed[role].rested(start)
        return expected, observed

    def _decoded(self, lines: Lines) -> tuple[Item, ...]:
        known_start = self.port.kind is SerialKind.UART or self.window.cycle == 0
        return decode(self.port, lines, from_rest=known_start)

    def _exchange(
        self,
        role: str,
        want: Item | None,
        got: Item | None,
        trouble: str,
        expected: LineLevels,
        table_lines: Sequence[int],
    ) -> Exchange:
        item = want or got
        assert item is not None
        tested = role not in TO_CHIP and expected.at(item.first) != UNKNOWN
        return Exchange(
            serial=self.port.name,
            signal=self.port.lines[role],
            from_chip=role not in TO_CHIP,
            cycle=self.window.cycle + item.first,
            line=table_lines[item.first],
            expected=want.text if want is not None else "",
            observed=got.text if got is not None else "",
            trouble=trouble,
            wrong=_differs(want, got) if want is not None else tested,
        )

    def _trouble(self, want: Item | None, got: Item | None, observed: LineLevels) -> str:
        """Say what is wrong with the framing of what was read, or with its time."""
        if got is None:
            frame = observed.level[want.first : want.end] if want is not None else observed.level
            steady = {0: "the line stays low", 1: "the line stays high"}
            return next((text for bit, text in steady.items() if (frame == bit).all()), "")
        parts = []
        if got.fault:
            parts.append(f"{got.fault} in cycle {self.window.cycle + got.fault_at:,}")
        late = got.first - want.first if want is not None else 0
        if late:
            parts.append(f"{many(abs(late), 'cycle')} {'late' if late > 0 else 'early'}")
        return ", ".join(parts)


def _paired(
    wanted: Sequence[Item], read: Sequence[Item], reach: int
) -> Iterator[tuple[Item | None, Item | None]]:
    """Pair what is expected with what begins at most ``reach`` cycles before or after it."""
    rest = deque(read)
    for want in wanted:
        while rest and rest[0].first < want.first - reach:
            yield None, rest.popleft()
        near = bool(rest) and rest[0].first <= want.first + reach
        yield want, rest.popleft() if near else None
    yield from ((None, item) for item in rest)


def _differs(want: Item, got: Item | None) -> bool:
    if got is None:
        return True
    both = want.known & got.known
    acks = None not in (want.ack, got.ack) and want.ack != got.ack
    plain = (want.first, want.mark, want.fault) != (got.first, got.mark, got.fault)
    return bool((want.value ^ got.value) & both) or acks or plain
