"""Tables of the small memory: bus behaviour by hand, the March C- test, random accesses.

March C- (van de Goor, 1991), ten operations a word:
{either(w0); up(r0,w1); up(r1,w0); down(r0,w1); down(r1,w0); either(r0)}
For words of four bits it is run with three data backgrounds, so that every two bits of a word are
once equal and once different; "1" is then the background's complement.
"""

from __future__ import annotations

import random
from pathlib import Path

HERE = Path(__file__).parent
HEADER = "clk,a,we,oe_n,dq,label,note"
UP = tuple(range(16))
DOWN = tuple(reversed(UP))
BACKGROUNDS = (0b0000, 0b0101, 0b0011)

MARCH_C_MINUS = (
    (UP, ("w0",)),
    (UP, ("r0", "w1")),
    (UP, ("r1", "w0")),
    (DOWN, ("r0", "w1")),
    (DOWN, ("r1", "w0")),
    (DOWN, ("r0",)),
)


def drive(word: int) -> str:
    """Symbols that put a word on the bus."""
    return f"{word:04b}"


def expect(word: int) -> str:
    """Symbols that test a word on the bus."""
    return f"{word:04b}".replace("1", "H").replace("0", "L")


def write(address: int, word: int, label: str = "", note: str = "") -> str:
    """Return a row that writes."""
    return f"C,0x{address:X},1,1,{drive(word)},{label},{note}"


def read(address: int, word: int, label: str = "", note: str = "") -> str:
    """Return a row that reads, without a clock."""
    return f"0,0x{address:X},0,0,{expect(word)},{label},{note}"


def released(address: int, label: str = "", note: str = "") -> str:
    """Return a row in which the bus is not driven."""
    return f"0,0x{address:X},0,1,ZZZZ,{label},{note}"


def bus() -> str:
    """Who drives the bus when, worked by hand."""
    rows = [released(0, "at rest", "output disabled: the bus floats")]
    for bit in range(4):
        rows += [
            write(bit, 1 << bit, f"bit {bit}", "driven by the tester"),
            read(bit, 1 << bit, note="driven by the chip"),
            released(bit, note="driven by nobody"),
        ]
    rows += [
        "0,0x0,1,1,1111,no clock,write enable alone writes nothing",
        read(0, 1),
        "C,0x0,0,1,1111,no write enable,a clock alone writes nothing",
        read(0, 1),
        "C,0x0,0,0,LLLH,clock while reading,nothing changes",
        read(0, 1),
        "C,0x0,1,0,1010,write wins,both enables: the chip must not drive",
        read(0, 0b1010),
        read(1, 2, "address alone", "reading needs no clock"),
        read(2, 4),
        read(3, 8),
        "0,0x3,1,0,ZZZZ,write enable releases,output enabled but writing: the bus floats",
        read(3, 8),
        "0,0x3,0,0,HXXX,one bit tested,",
        "0,0x3,0,1,FFFF,float,left alone and not tested",
        "0,0x3,0,0,XXXL,,",
    ]
    return "\n".join(["# Direction of the bus, row by row (worked by hand)", HEADER, *rows, ""])


def march() -> str:
    """March C- over all words with each background."""
    rows = []
    for background in BACKGROUNDS:
        for number, (order, operations) in enumerate(MARCH_C_MINUS, start=1):
            label = f"background {background:04b} element {number}"
            for address in order:
                for operation in operations:
                    word = background ^ (15 if operation[1] == "1" else 0)
                    make = write if operation[0] == "w" else read
                    rows.append(make(address, word, label))
                    label = ""
    title = "# March C- (van de Goor 1991) with three data backgrounds: 3 x 10 x 16 operations"
    return "\n".join([title, HEADER, *rows, ""])


def seeded() -> str:
    """List every word written, then 1,500 random reads, writes and pauses."""
    source = random.Random(1991)
    words = [source.getrandbits(4) for _ in UP]
    rows = [write(address, words[address], "fill" if address == 0 else "") for address in UP]
    for number in range(1500):
        label = f"access {number}" if number % 100 == 0 else ""
        address = source.randrange(16)
        choice = source.randrange(10)
        if choice < 4:
            words[address] = source.getrandbits(4)
            rows.append(write(address, words[address], label))
        elif choice < 9:
            rows.append(read(address, words[address], label))
        else:
            rows.append(released(address, label))
    rows += [read(address, words[address], "read all" if address == 0 else "") for address in UP]
    return "\n".join(
        ["# Random accesses (seed 1991), answers from a list of words", HEADER, *rows, ""]
    )


def tables() -> dict[str, str]:
    """List every table of the design: file name and text."""
    return {"bus.csv": bus(), "march.csv": march(), "random.csv": seeded()}


if __name__ == "__main__":
    for name, text in tables().items():
        (HERE / name).write_text(text, encoding="utf-8")
