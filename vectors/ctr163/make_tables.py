"""Writes the tables of the counter from the description of the SN74LS163A.

Source: Texas Instruments SDLS060: synchronous clear before synchronous load before counting,
which needs ENP and ENT; the ripple carry is high in state 15 while ENT is high. The first table
starts with the data sheet's typical sequence: clear to zero, preset to twelve, count to
thirteen, fourteen, fifteen, zero, one and two, inhibit.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

Row = dict[str, object]

COLUMNS = ["clk", "clr_n", "load_n", "enp", "ent", "d", "q", "rco", "repeat", "label", "note"]


@dataclass
class Author:
    """Writes rows while keeping what the data sheet promises of the state."""

    q: int = 0

    def row(self, controls: str, d: int, clk: str = "C", **more: object) -> Row:
        """One vector; ``controls`` holds the levels of CLR, LOAD, ENP and ENT."""
        clr_n, load_n, enp, ent = (int(level) for level in controls)
        for _ in range(int(str(more.get("repeat", 1))) if clk == "C" else 0):
            self.q = self.clocked(clr_n, load_n, enp and ent, d)
        rco = "H" if ent and self.q == 15 else "L"
        levels = {"clr_n": clr_n, "load_n": load_n, "enp": enp, "ent": ent}
        return {"clk": clk} | levels | {"d": d, "q": self.q, "rco": rco} | more

    def clocked(self, clr_n: int, load_n: int, count: int, d: int) -> int:
        """Give the state after a rising edge."""
        if not clr_n:
            return 0
        if not load_n:
            return d
        return (self.q + 1) % 16 if count else self.q


def typical_sequence(author: Author) -> list[Row]:
    """Follow the sequence that the data sheet draws."""
    rows = [
        author.row("1111", 12, "0", label="after reset"),
        author.row("0111", 12, label="clear", note="clear goes first"),
        author.row("1011", 12, label="preset to twelve"),
        author.row("1111", 12, label="count"),
    ]
    rows += [author.row("1111", 12) for _ in range(5)]
    rows.append(author.row("1101", 12, label="inhibit", note="ENP low"))
    rows.append(author.row("1100", 12))
    rows.append(author.row("1110", 12, note="ENT low"))
    return rows


def directed(author: Author) -> list[Row]:
    """Test what a careless copy of the part gets wrong."""
    rows = [
        author.row("1011", 15, label="preset to fifteen"),
        author.row("1110", 3, "0", label="carry is gated by ENT"),
        author.row("1101", 3, "0", note="but not by ENP"),
        author.row("0111", 3, "0", label="clear is synchronous", note="no clock edge, no change"),
        author.row("1011", 3, "0", label="load is synchronous", note="no clock edge, no change"),
        author.row("0011", 3, label="clear over load"),
        author.row("1011", 9, label="load over count"),
        author.row("1101", 0, repeat=100, label="held for a hundred cycles"),
        author.row("0101", 0, label="clear while inhibited"),
    ]
    rows += [author.row("1111", 0, label="twice round" * (k == 0)) for k in range(32)]
    rows.append(author.row("1111", 0, repeat=16, label="sixteen cycles come back", note="q only"))
    rows[-1] |= {"q": "", "rco": ""}
    rows.append(author.row("1100", 0, "0"))
    return rows


def sequence() -> list[Row]:
    """Both parts, one state."""
    author = Author()
    return typical_sequence(author) + directed(author)


def transitions() -> list[Row]:
    """From each of the 16 states, every control word with four data words, one clock each."""
    author = Author()
    rows: list[Row] = []
    for state in range(16):
        for code in range(16):
            for d in (state ^ 15, 5, 10, (state + 1) % 16):
                rows.append(author.row("1000", state))
                rows.append(author.row(f"{code:04b}", d))
        rows[-128]["label"] = f"from state {state}"
    return rows


def as_csv(rows: list[Row]) -> str:
    """Rows as CSV text under the columns of this design."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def tables() -> dict[str, str]:
    """Every table of this design: file name and CSV text."""
    return {"sequence.csv": as_csv(sequence()), "transitions.csv": as_csv(transitions())}


if __name__ == "__main__":
    for name, text in tables().items():
        (Path(__file__).parent / name).write_text(text, encoding="utf-8", newline="")
