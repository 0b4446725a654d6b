"""Levels of a serial interface's lines for each step of a transaction list.

One rule: cells of a table are chosen here alone: what the controller sends is driven, what the chip
sends is tested, and a line is never driven while it is the chip's turn.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import zip_longest

from harness.convert.decode import value_text
from harness.convert.transactions import Step, TransactionList
from harness.records import Parity, SerialInterface, SerialKind

Bits = tuple[int | None, ...]

TESTED = {0: "L", 1: "H", None: "X"}
READ, WRITE = 1, 0


@dataclass(frozen=True)
class Part:
    """Cells of the interface's signals for some cycles; ``label`` says what begins there.

    A line that the design lacks has the name "".
    """

    cells: dict[str, str]
    cycles: int
    label: str = ""
    until: bool = False


def parts(transactions: TransactionList, step: Step) -> Iterator[Part]:
    """Give the parts of one step in their order; some may have no cycles."""
    makers = {SerialKind.UART: _uart, SerialKind.SPI: _spi, SerialKind.I2C: _i2c}
    return makers[transactions.port.kind](transactions, step)


def _shown(value: int | None, bits: int) -> str:
    return "any" if value is None else value_text(value, bits)


def bits_of(value: int | None, bits: int, *, lsb_first: bool) -> Bits:
    """Bits of a value in the order in which they go over a line."""
    if value is None:
        return (None,) * bits
    places = range(bits) if lsb_first else reversed(range(bits))
    return tuple(value >> place & 1 for place in places)


def _character(port: SerialInterface, value: int | None, wrong: str = "") -> Bits:
    """Start bit, data, parity and stop bits (character framing as of TIA/EIA-232).

    After a wrong stop bit the line rests for a bit: without it, no receiver sees the next start.
    """
    data = bits_of(value, port.data_bits, lsb_first=port.lsb_first)
    parity: Bits = ()
    if port.parity is not Parity.NONE:
        odd = (port.parity is Parity.ODD) != (wrong == "parity")
        parity = (None if value is None else (value.bit_count() & 1) ^ odd,)
    stop: Bits = (0,) * port.stop_bits + (1,) if wrong == "stop" else (1,) * port.stop_bits
    return (0, *data, *parity, *stop)


def _uart(transactions: TransactionList, step: Step) -> Iterator[Part]:
    port = transactions.port
    if not step.data:
        yield _uart_part(port, 1, 1 if step.idle else None, step.idle + step.skip)
        return
    first = port.bit_cycles
    if step.within:
        yield _uart_part(port, 1, None, 1 if step.first else 0)
        wait = _uart_part(port, 1, 0, step.within)
        yield Part(wait.cells, wait.cycles, "waits for a start bit", until=True)
        first -= 1
    pairs = zip_longest(step.data.get("to_chip", ()), step.data.get("from_chip", ()), fillvalue=-1)
    for number, (heard, said) in enumerate(pairs):
        to_chip: Bits = () if heard == -1 else _character(port, heard, step.wrong)
        from_chip: Bits = () if said == -1 else _character(port, said)
        labels = [
            f"{way} {_shown(value, port.data_bits)}"
            for way, value in (("to chip", heard), ("from chip", said))
            if value != -1
        ]
        both = zip_longest(to_chip or (1,) * len(from_chip), from_chip)
        for place, (bit_in, bit_out) in enumerate(both):
            cycles = port.bit_cycles if number or place else first
            label = "" if place else ", ".join(labels)
            yield _uart_part(port, bit_in, bit_out, cycles, label)


def _uart_part(
    port: SerialInterface, rx: int | None, tx: int | None, cycles: int, label: str = ""
) -> Part:
    return Part({port.rx: str(rx), port.tx: TESTED[tx]}, cycles, label)


def _spi(transactions: TransactionList, step: Step) -> Iterator[Part]:
    """One selection of the chip: all words of the step, with half a bit before and after them."""
    port = transactions.port
    rest = str(port.mode >> 1)
    apart = {port.cs: str(1 - port.cs_active_high), port.sck: rest, port.mosi: "0", port.miso: "X"}
    if not step.data:
        yield Part(apart, step.idle + step.skip)
        return
    selected = apart | {port.cs: str(int(port.cs_active_high))}
    words = list(zip_longest(step.data.get("mosi", ()), step.data.get("miso", ())))
    label = ", ".join(
        f"{way} {' '.join(_shown(value, port.data_bits) for value in step.data[way])}"
        for way in ("mosi", "miso")
        if way in step.data
    )
    bits = [
        (str(bit_in or 0), TESTED[bit_out])
        for heard, said in words
        for bit_in, bit_out in zip(
            bits_of(heard or 0, port.data_bits, lsb_first=port.lsb_first),
            bits_of(said, port.data_bits, lsb_first=port.lsb_first),
            strict=True,
        )
    ]
    rows = _spi_pulses if port.bit_cycles == 1 else _spi_halves
    yield from rows(port, selected, bits, label)
    yield Part(apart, max(1, port.bit_cycles // 2))


def _spi_pulses(
    port: SerialInterface, selected: dict[str, str], bits: list[tuple[str, str]], label: str
) -> Iterator[Part]:
    """A row for each bit, which pulses ``sck``.

    Outputs are tested after the pulse: in modes 0 and 2 the chip shows the next bit by then.
    """
    early = port.mode in (0, 2)
    answers = [answer for _, answer in bits]
    after = [*answers[1:], "X"] if early else answers
    yield Part(selected | {port.miso: answers[0] if early else "X"}, 1, label)
    pulse = "K" if port.mode >> 1 else "C"
    for (level, _), answer in zip(bits, after, strict=True):
        yield Part(selected | {port.sck: pulse, port.mosi: level, port.miso: answer}, 1)


def _spi_halves(
    port: SerialInterface, selected: dict[str, str], bits: list[tuple[str, str]], label: str
) -> Iterator[Part]:
    """Two halves for each bit; the answer is tested in the last cycle before the sampling edge."""
    half, rest = port.bit_cycles // 2, port.mode >> 1
    first = rest ^ (port.mode & 1)
    if port.mode & 1:
        yield Part(selected, half, label)
        label = ""
    for level, answer in bits:
        lines = selected | {port.mosi: level, port.sck: str(first)}
        yield Part(lines, half - 1, label)
        yield Part(lines | {port.miso: answer}, 1, "" if half > 1 else label)
        yield Part(lines | {port.sck: str(1 - first)}, half)
        label = ""
    if not port.mode & 1:
        yield Part(selected, half)


def _i2c(transactions: TransactionList, step: Step) -> Iterator[Part]:
    bus = _Bus(transactions.port, transactions.stretch)
    if step.address is None:
        yield bus.part("1", bus.high, step.idle + step.skip)
        return
    ways = [(WRITE, step.data.get("write", ())), (READ, step.data.get("read", ()))]
    used = [(way, values) for way, values in ways if values] or [(WRITE, ())]
    for number, (way, values) in enumerate(used):
        yield from bus.start(again=number > 0)
        name = "read from" if way == READ else "write to"
        yield from bus.sent(
            step.address << 1 | way, f"{name} 0x{step.address:02X}", refused=step.refused
        )
        for place, value in enumerate(values):
            text = _shown(value, 8)
            if way == WRITE:
                yield from bus.sent(value or 0, f"to chip {text}", refused=False)
            else:
                yield from bus.read(value, f"from chip {text}", last=place == len(values) - 1)
    yield from bus.stop()


@dataclass(frozen=True)
class _Bus:
    """The two lines of I2C, a quarter of a bit at a time.

    Without pull-ups on the board the controller drives a 1, releases ``sda`` for the chip's bits,
    and tests by weak pulls that the chip releases it too, before ``scl`` rises. With them a 1 is a
    released line that reads high.
    """

    port: SerialInterface
    stretch: int

    @property
    def high(self) -> str:
        """The cell of a 1 that the controller sends."""
        return "H" if self.port.pull_up else "1"

    def part(self, scl: str, sda: str, cycles: int, label: str = "") -> Part:
        """Some cycles; a high ``scl`` is released where the chip may hold it down."""
        clock = "H" if scl == "1" and self.stretch else scl
        return Part({self.port.scl: clock, self.port.sda: sda}, cycles, label)

    def start(self, *, again: bool) -> Iterator[Part]:
        """A start: ``sda`` falls while ``scl`` is high."""
        quarter = self.port.bit_cycles // 4
        if again:
            yield self.part("0", self.high, quarter, "start again")
            yield from self.rise(self.high, quarter)
        else:
            yield self.part("1", self.high, quarter, "start")
        yield self.part("1", "0", quarter)
        yield self.part("0", "0", quarter)

    def stop(self) -> Iterator[Part]:
        """A stop: ``sda`` rises while ``scl`` is high."""
        quarter = self.port.bit_cycles // 4
        yield self.part("0", "0", quarter, "stop")
        yield from self.rise("0", quarter)
        yield self.part("1", self.high, quarter)

    def rise(self, sda: str, cycles: int) -> Iterator[Part]:
        """``scl`` is high for some cycles, from when the chip lets it go."""
        if self.stretch:
            wait = self.part("1", "X" if sda in "LHZ" else sda, self.stretch)
            yield Part(wait.cells, wait.cycles, until=True)
            cycles = max(1, cycles - 1)
        yield self.part("1", sda, cycles)

    def sent(self, value: int, label: str, *, refused: bool) -> Iterator[Part]:
        """A byte to the chip, and its acknowledgement."""
        bits = bits_of(value, 8, lsb_first=False)
        for place, bit in enumerate(bits):
            yield from self.driven(bit or 0, "" if place else label, let_go=place == 7)
        yield from self.tested(1 if refused else 0, "")

    def read(self, value: int | None, label: str, *, last: bool) -> Iterator[Part]:
        """A byte from the chip; the last one is not acknowledged."""
        for place, bit in enumerate(bits_of(value, 8, lsb_first=False)):
            yield from self.tested(bit, "" if place else label)
        yield from self.driven(int(last), "", let_go=not last)

    def driven(self, bit: int, label: str, *, let_go: bool) -> Iterator[Part]:
        """A bit of the controller's; it lets go with ``scl`` if the next one is the chip's."""
        quarter, cell = self.port.bit_cycles // 4, self.high if bit else "0"
        yield self.part("0", cell, quarter, label)
        yield from self.rise(cell, 2 * quarter)
        yield self.part("0", "X" if let_go else cell, quarter)

    def tested(self, bit: int | None, label: str) -> Iterator[Part]:
        """A bit of the chip's."""
        quarter = self.port.bit_cycles // 4
        released = bit == 1 and not self.port.pull_up
        yield self.part("0", "X", quarter - 1, label)
        yield self.part("0", "Z" if released else "X", 1, label if quarter == 1 else "")
        yield from self.rise("X" if released else TESTED[bit], 2 * quarter)
        yield self.part("0", "X", quarter)
