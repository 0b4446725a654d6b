"""Writes the table of the Gray code counter from the construction of the reflected code.

Source: F. Gray, US patent 2,632,058 (1953): the code of n bits is the code of n - 1 bits with a
0 in front, followed by the same list in reverse order with a 1 in front. The list is built here
by that reflection, not by the exclusive-or formula that the Verilog uses.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

Row = dict[str, object]

COLUMNS = ["clk", "rst_n", "en", "up", "code", "last", "repeat", "label", "note"]


def reflected(bits: int) -> list[str]:
    """All codes of this number of bits, in counting order."""
    if not bits:
        return [""]
    shorter = reflected(bits - 1)
    return ["0" + code for code in shorter] + ["1" + code for code in reversed(shorter)]


CODES = reflected(8)


@dataclass
class Author:
    """Writes rows while keeping the place in the list of codes."""

    place: int = 0

    def row(self, levels: str, clk: str = "C", **more: object) -> Row:
        """One vector; ``levels`` holds RST_N, EN and UP."""
        rst_n, en, up = (int(level) for level in levels)
        if not rst_n:
            self.place = 0
        elif en and clk == "C":
            self.place = (self.place + (1 if up else -1)) % 256
        last = self.place == (255 if up else 0)
        tested = {"code": CODES[self.place].translate(LEVELS), "last": "H" if last else "L"}
        return {"clk": clk, "rst_n": rst_n, "en": en, "up": up} | tested | more


LEVELS = str.maketrans("01", "LH")


def count() -> list[Row]:
    """Up, hold, down, reset; then round both ways and a match loop to the last code."""
    author = Author()
    rows = [author.row("111", "0", label="after reset")]
    rows += [author.row("111", label="up" * (k == 0)) for k in range(9)]
    rows.append(author.row("101", repeat=30, label="held while EN is low"))
    rows += [author.row("110", label="down" * (k == 0)) for k in range(9)]
    rows.append(author.row("110", label="down past zero", note="to the last code, one bit away"))
    rows.append(author.row("111", "0", label="last follows the direction"))
    rows.append(author.row("111", label="up past the last code"))
    rows += [author.row("111") for _ in range(5)]
    rows.append(author.row("011", "0", label="reset needs no clock"))
    rows.append(author.row("011", label="reset goes over EN"))
    rows += [author.row("111", label="once round up" * (k == 0)) for k in range(256)]
    rows += [author.row("110", label="once round down" * (k == 0)) for k in range(256)]
    author.place = 254
    found = author.row("111", repeat="until 255", label="run up to the last code")
    rows.append(found | {"last": ""})
    rows.append(author.row("101", "0", label="stands at the last code"))
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
    return {"count.csv": as_csv(count())}


if __name__ == "__main__":
    for name, text in tables().items():
        (Path(__file__).parent / name).write_text(text, encoding="utf-8", newline="")
