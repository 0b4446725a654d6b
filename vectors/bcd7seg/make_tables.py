"""Writes the table of the BCD to seven-segment decoder from the SN7448 function table.

Source: Texas Instruments SDLS111, function table of the '48, rows 0 to 15, BI, RBI and LT with
their notes 1 to 4. Digits 6 and 9 are drawn without tails there, unlike on most displays.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

SEGMENTS = {
    0: "HHHHHHL",
    1: "LHHLLLL",
    2: "HHLHHLH",
    3: "HHHHLLH",
    4: "LHHLLHH",
    5: "HLHHLHH",
    6: "LLHHHHH",
    7: "HHHLLLL",
    8: "HHHHHHH",
    9: "HHHLLHH",
    10: "LLLHHLH",
    11: "LLHHLLH",
    12: "LHLLLHH",
    13: "HLLHLHH",
    14: "LLLHHHH",
    15: "LLLLLLL",
}
"""Rows 0 to 15 of the function table: segments a to g as the data sheet prints them."""

Row = dict[str, object]


def respond(bcd: int, lt_n: int, rbi_n: int, bi_n: int) -> tuple[str, str]:
    """Segments and ripple-blanking output for one input condition, by the notes' precedence."""
    if not bi_n:
        return "LLLLLLL", "L"  # note 2: blanking input
    if lt_n and not rbi_n and bcd == 0:
        return "LLLLLLL", "L"  # note 3: ripple blanking
    if not lt_n:
        return "HHHHHHH", "H"  # note 4: lamp test
    return SEGMENTS[bcd], "H"


def row(bcd: int, lt_n: int, rbi_n: int, bi_n: int, label: str = "", note: str = "") -> Row:
    """One vector."""
    seg, rbo_n = respond(bcd, lt_n, rbi_n, bi_n)
    return {
        "bcd": bcd,
        "lt_n": lt_n,
        "rbi_n": rbi_n,
        "bi_n": bi_n,
        "seg": seg,
        "rbo_n": rbo_n,
        "label": label,
        "note": note,
    }


def directed() -> list[Row]:
    """Follow the function table row by row, in the order of the data sheet."""
    rows = [row(0, 1, 1, 1, "digit 0", "zero is shown while RBI is high")]
    rows += [row(n, 1, n % 2, 1, f"digit {n}", "RBI does not matter here") for n in range(1, 10)]
    rows += [row(n, 1, n % 2, 1, f"code {n}", "not a digit") for n in range(10, 16)]
    rows += [
        row(8, 1, 1, 0, "blanking input", "note 2: forced low whatever the code"),
        row(8, 0, 1, 0, "blanking over lamp test", "note 2"),
        row(0, 1, 0, 1, "ripple blanking", "note 3: RBO answers low"),
        row(1, 1, 0, 1, "no ripple blanking", "only a zero is blanked"),
        row(1, 0, 1, 1, "lamp test", "note 4: all segments"),
        row(0, 0, 0, 1, "lamp test over ripple blanking", "note 3 needs LT high"),
    ]
    return rows


def exhaustive() -> list[Row]:
    """All 128 input conditions."""
    return [
        row(code & 15, code >> 4 & 1, code >> 5 & 1, code >> 6 & 1, "exhaustive" * (code == 0))
        for code in range(128)
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
