"""Writes the table of the 3-to-8 decoder from the SN74LS138 function table.

Source: Texas Instruments SDLS014, function table: G2 is the OR of the two low-active enables;
unless G1 is high and G2 low all outputs are high; else the output that C B A name is low.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

Row = dict[str, object]

OUTPUTS = [
    "LHHHHHHH",
    "HLHHHHHH",
    "HHLHHHHH",
    "HHHLHHHH",
    "HHHHLHHH",
    "HHHHHLHH",
    "HHHHHHLH",
    "HHHHHHHL",
]
"""Y0 to Y7, as the data sheet prints them, for C B A = 0 to 7."""


def row(sel: int, g1: int, g2a_n: int, g2b_n: int, label: str = "", note: str = "") -> Row:
    """One vector; the bus is written most significant first, so Y0 comes last."""
    enabled = g1 and not (g2a_n or g2b_n)
    y0_to_y7 = OUTPUTS[sel] if enabled else "HHHHHHHH"
    inputs = {"g1": g1, "g2a_n": g2a_n, "g2b_n": g2b_n, "sel": sel}
    return inputs | {"y_n": y0_to_y7[::-1], "label": label, "note": note}


def directed() -> list[Row]:
    """Follow the function table row by row, in the order of the data sheet."""
    rows = [
        row(0, 1, 1, 0, "disabled by G2A", "G2 high"),
        row(5, 1, 0, 1, "disabled by G2B", "G2 high"),
        row(7, 0, 0, 0, "disabled by G1"),
    ]
    return rows + [row(sel, 1, 0, 0, f"Y{sel} low") for sel in range(8)]


def exhaustive() -> list[Row]:
    """All 64 input conditions."""
    return [
        row(code & 7, code >> 5 & 1, code >> 4 & 1, code >> 3 & 1, "exhaustive" * (code == 0))
        for code in range(64)
    ]


def as_csv(rows: list[Row]) -> str:
    """Rows as CSV text; the first row names the columns."""
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def tables() -> dict[str, str]:
    """Every table of this design: file name and CSV text."""
    return {"function.csv": as_csv(directed() + exhaustive())}


if __name__ == "__main__":
    for name, text in tables().items():
        (Path(__file__).parent / name).write_text(text, encoding="utf-8", newline="")
