"""Tables of the register bank, from a model of its register map worked by hand.

Mode 0 rests with sck low, mode 3 with sck high; in both, data is taken on the rising edge and put
out on the falling edge (common practice, no source). A transfer is 16 bits, most significant first:
write flag, five ignored bits, two address bits, eight data bits. In mode 0 one vector is a ``C``
pulse on sck (rise, fall), so ``miso`` shows the next bit after it; in mode 3 it is a ``K`` pulse
(fall, rise), so ``miso`` shows the bit of that same pulse.
"""

from __future__ import annotations

import random
from pathlib import Path

HERE = Path(__file__).parent
HEADER = "cs_n,sck,mosi,miso,r0,label,note"


class Bank:
    """The four registers, as the register map describes them."""

    def __init__(self) -> None:
        self.registers = [0, 0, 0, 0]

    def transfer(self, command: int, value: int) -> tuple[list[int], list[int]]:
        """Bits to send and bits that come back in one transfer; a write is done at its end.

        Data bits come back in a write too, from the register as it was before.
        """
        address = command & 3
        answer = self.registers[address]
        sent = [word >> bit & 1 for word in (command, value) for bit in range(7, -1, -1)]
        back = [0] * 8 + [answer >> bit & 1 for bit in range(7, -1, -1)]
        if command & 0x80:
            self.registers[address] = value
        return sent, back

    @property
    def shown(self) -> str:
        """What the r0 pins show."""
        return f"0x{self.registers[0]:02X}"


def describe(command: int, value: int) -> str:
    """Return a label for a transfer."""
    address = command & 3
    return f"write r{address} 0x{value:02X}" if command & 0x80 else f"read r{address}"


def level(bit: int) -> str:
    """Return the symbol that tests a level."""
    return "H" if bit else "L"


def pulse_rows(bank: Bank, mode: int, command: int, value: int, note: str = "") -> list[str]:
    """Return a whole transfer, one vector per sck pulse, with a row before and after it."""
    rest = "1" if mode == 3 else "0"
    before = bank.shown
    sent, back = bank.transfer(command, value)
    shown = back if mode == 3 else [*back[1:], 0]
    pulse = "K" if mode == 3 else "C"
    rows = [f"0,{rest},0,L,{before},{describe(command, value)},{note}"]
    for count, (bit, out) in enumerate(zip(sent, shown, strict=True), start=1):
        r0 = bank.shown if count == 16 else before
        rows.append(f"0,{pulse},{bit},{level(out)},{r0},,")
    return [*rows, f"1,{rest},0,Z,{bank.shown},,bus let go"]


def edge_rows(bank: Bank, command: int, value: int, note: str) -> list[str]:
    """Return a whole mode 0 transfer, two vectors per bit: mosi with sck low, then the rising edge.

    A falling edge comes with the next bit's mosi, and ``miso`` changes there and only there.
    """
    before = bank.shown
    sent, back = bank.transfer(command, value)
    rows = []
    for count, (bit, out) in enumerate(zip(sent, back, strict=True), start=1):
        label = describe(command, value) if count == 1 else ""
        r0 = bank.shown if count == 16 else before
        rows.append(f"0,0,{bit},{level(out)},{before},{label},{note if count == 1 else ''}")
        rows.append(f"0,1,{bit},{level(out)},{r0},,")
    return [*rows, f"0,0,0,L,{bank.shown},,", f"1,0,0,Z,{bank.shown},,bus let go"]


def cut_rows(bank: Bank, command: int, value: int, bits: int) -> list[str]:
    """End a transfer after ``bits`` bits by cs_n: nothing may be written."""
    sent, _ = Bank().transfer(command, value)
    rows = [f"0,0,0,L,{bank.shown},cut off after {bits} bits,{describe(command, value)}"]
    rows += [f"0,C,{bit},,{bank.shown},," for bit in sent[:bits]]
    return [*rows, f"1,0,0,Z,{bank.shown},,not written"]


def edges() -> str:
    """List every edge by itself, then what must not happen."""
    bank = Bank()
    rows = [f"1,0,0,Z,{bank.shown},idle,not selected: miso floats and registers are 0 after reset"]
    for command, value, note in (
        (0x80, 0xA5, "r0 is shown on its pins"),
        (0x83, 0x3C, ""),
        (0x00, 0x00, ""),
        (0x03, 0xFF, "mosi does not matter in a read"),
        (0x7C, 0x00, "ignored address bits set"),
    ):
        rows += edge_rows(bank, command, value, note)
    rows += [f"1,C,1,Z,{bank.shown},clock without select,not selected: sck does nothing"]
    rows += [f"1,C,1,Z,{bank.shown},,"] * 17
    for bits in (1, 7, 8, 15):
        rows += cut_rows(bank, 0x80, 0x00, bits)
    rows += pulse_rows(bank, 0, 0x80, 0x5A, "counting starts anew after a cut")
    rows.pop()
    rows += [f"0,C,1,,{bank.shown},extra clocks,more than 16 bits change nothing"]
    rows += [f"0,C,1,L,{bank.shown},,"] * 19
    rows += [f"1,0,0,Z,{bank.shown},,"]
    rows += pulse_rows(bank, 0, 0x00, 0x00, "still there")
    return "\n".join(
        ["# Mode 0, edge by edge; then transfers that must change nothing", HEADER, *rows, ""]
    )


def mode(number: int) -> str:
    """Walk ones through every register, then do 60 random transfers and read every register."""
    source = random.Random(number)
    bank = Bank()
    rest = "1" if number == 3 else "0"
    rows = [f"1,{rest},0,Z,{bank.shown},idle,"]
    for address in range(4):
        rows += pulse_rows(bank, number, address, 0, "0 after reset")
    for bit in range(8):
        for address in range(4):
            rows += pulse_rows(bank, number, 0x80 | address, 1 << (bit + address) % 8, "")
        for address in range(4):
            rows += pulse_rows(bank, number, address, 0, "")
    for _ in range(60):
        rows += pulse_rows(bank, number, source.getrandbits(8), source.getrandbits(8), "random")
    for address in range(4):
        rows += pulse_rows(bank, number, address, 0, "at the end")
    return "\n".join([f"# SPI mode {number}, one vector per bit", HEADER, *rows, ""])


def tables() -> dict[str, str]:
    """List every table of the design: file name and text."""
    return {"edges.csv": edges(), "mode0.csv": mode(0), "mode3.csv": mode(3)}


if __name__ == "__main__":
    for name, text in tables().items():
        (HERE / name).write_text(text, encoding="utf-8")
