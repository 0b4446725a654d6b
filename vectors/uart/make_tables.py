"""Tables of the start-stop transmitter and receiver, from the framing alone.

A character is a start bit 0, eight data bits least significant first, a stop bit 1; the line rests
at 1. A bit lasts four clocks. The receiver is tested where the framing fixes the answer: ``valid``
and ``bad`` once a stop bit is over and while data bits arrive, not at the clock where they change.
"""

from __future__ import annotations

from pathlib import Path

HERE = Path(__file__).parent
HEADER = "clk,send,d,rxd,txd,busy,q,valid,bad,repeat,label,note"
CLOCKS_PER_BIT = 4


def frame(byte: int) -> list[int]:
    """Return the ten bits of a character in the order in which they go over the line."""
    return [0, *(byte >> i & 1 for i in range(8)), 1]


def level(bit: int) -> str:
    """Return the symbol that tests a level."""
    return "H" if bit else "L"


def send_rows(byte: int, label: str, note: str = "") -> list[str]:
    """One character sent with the receiver at rest: each bit of the line is a row of four clocks.

    ``send`` is high for one clock only, so the start bit is split; ``busy`` falls in the last clock
    of the stop bit, so that is split off too. ``d`` changes after ``send``: the byte must be kept.
    """
    bits = frame(byte)
    rows = [f"C,1,0x{byte:02X},1,L,H,,,L,,{label},{note}", "C,0,0xA5,1,L,H,,,L,3,,start bit"]
    rows += [f"C,0,0xA5,1,{level(bit)},H,,,L,4,,bit {i}" for i, bit in enumerate(bits[1:9])]
    return [*rows, "C,0,0xA5,1,H,H,,,L,3,,stop bit", "C,0,0xA5,1,H,L,,,L,,,may send again"]


def receive_rows(byte: int, label: str, note: str = "") -> list[str]:
    """One character received with the transmitter at rest."""
    rows = [f"C,0,0x00,0,H,L,,,,4,{label},{note}"]
    rows += [f"C,0,0x00,{bit},H,L,,L,L,4,,bit {i}" for i, bit in enumerate(frame(byte)[1:9])]
    return [*rows, "C,0,0x00,1,H,L,,,L,3,,stop bit", f"C,0,0x00,1,H,L,0x{byte:02X},H,L,,,taken"]


def broken_rows() -> list[str]:
    """Things on the line that are not characters, and a good character after them."""
    rows = ["C,0,0x00,0,H,L,0x5A,H,L,,glitch,one clock low is no start bit"]
    rows += ["C,0,0x00,1,H,L,0x5A,H,L,44,,a whole character's time later: nothing was taken"]
    rows += ["C,0,0x00,0,H,L,,,,4,no stop bit,0xF0 with the stop bit low"]
    rows += [f"C,0,0x00,{bit},H,L,,L,L,4,," for bit in frame(0xF0)[1:9]]
    rows += ["C,0,0x00,0,H,L,,L,,3,,where the stop bit belongs", "C,0,0x00,0,H,L,,L,H,,,bad"]
    rows += ["C,0,0x00,1,H,L,,,,44,line at rest,"]
    return rows + receive_rows(0xC3, "good again")


def directed() -> str:
    """Idle, each direction alone with revealing bytes, broken framing, a request while busy."""
    rows = ["C,0,0x00,1,H,L,,L,L,12,idle,the line rests high and nothing is received"]
    for byte, note in ((0x55, "alternating"), (0x00, ""), (0xFF, ""), (0x41, "letter A")):
        rows += send_rows(byte, f"send 0x{byte:02X}", note)
    rows += ["C,0,0x00,1,H,L,,,L,8,idle between characters,"]
    for byte, note in ((0x55, "alternating"), (0x00, ""), (0xFF, ""), (0x80, ""), (0x5A, "")):
        rows += receive_rows(byte, f"receive 0x{byte:02X}", note)
    rows += broken_rows()
    rows += ["C,1,0x0F,1,L,H,,,L,4,send held,start bit; a new byte offered while busy is ignored"]
    rows += [f"C,1,0xF0,1,{level(bit)},H,,,L,4,,bit {i}" for i, bit in enumerate(frame(0x0F)[1:9])]
    rows += ["C,1,0xF0,1,H,H,,,L,3,,stop bit", "C,0,0x00,1,H,L,,,L,5,,nothing follows"]
    return "\n".join(["# Start-stop framing, 8N1, four clocks to a bit", HEADER, *rows, ""])


def duplex_rows(sent: int, received: int, before: int | None) -> list[str]:
    """Send and receive a character at once, without a gap to the one before.

    ``before`` is the byte received last; it stays on ``q`` until its start bit is recognised.
    """
    label = f"send 0x{sent:02X} receive 0x{received:02X}"
    still = "" if before is None else f"0x{before:02X}"
    rows = [f"C,1,0x{sent:02X},0,L,H,{still},,L,,{label},", "C,0,0x00,0,L,H,,,L,3,,"]
    data = zip(frame(sent)[1:9], frame(received)[1:9], strict=True)
    rows += [f"C,0,0x00,{bit_in},{level(bit_out)},H,,L,L,4,," for bit_out, bit_in in data]
    return [*rows, "C,0,0x00,1,H,H,,,L,3,,", f"C,0,0x00,1,H,L,0x{received:02X},H,L,,,"]


def duplex() -> str:
    """All 256 bytes each way, in different orders, back to back."""
    rows = []
    before = None
    for sent in range(256):
        received = (sent * 101 + 37) % 256  # 101 is odd: every byte comes once
        rows += duplex_rows(sent, received, before)
        before = received
    title = "# Every byte both ways at once, without gaps between characters"
    return "\n".join([title, HEADER, *rows, ""])


def tables() -> dict[str, str]:
    """List every table of the design: file name and text."""
    return {"directed.csv": directed(), "duplex.csv": duplex()}


if __name__ == "__main__":
    for name, text in tables().items():
        (HERE / name).write_text(text, encoding="utf-8")
