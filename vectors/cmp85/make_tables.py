"""Writes the tables of the magnitude comparator from the SN74LS85 function table.

Source: Texas Instruments SDLS123, function table. Its first eight rows decide by the most
significant bit that differs; the last six define how equal words respond to the cascading
inputs, including the three unusual ones (A = B with others, A > B with A < B, none).
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

Row = dict[str, object]

CASCADE = {
    (1, 0, 0): "HLL",
    (0, 1, 0): "LHL",
    (0, 0, 1): "LLH",
    (0, 1, 1): "LLH",
    (1, 0, 1): "LLH",
    (1, 1, 1): "LLH",
    (1, 1, 0): "LLL",
    (0, 0, 0): "HHL",
}
"""Equal words: inputs A > B, A < B, A = B, and the outputs in the same order."""


def respond(a: int, b: int, cascade: tuple[int, int, int]) -> str:
    """Read the function table from its top: outputs A > B, A < B, A = B."""
    for bit in (3, 2, 1, 0):
        if (a >> bit & 1) > (b >> bit & 1):
            return "HLL"
        if (a >> bit & 1) < (b >> bit & 1):
            return "LHL"
    return CASCADE[cascade]


def row(a: int, b: int, cascade: tuple[int, int, int], label: str = "", note: str = "") -> Row:
    """One vector."""
    gt, lt, eq = respond(a, b, cascade)
    inputs = dict(zip(("gt_in", "lt_in", "eq_in"), cascade, strict=True))
    outputs = {"gt": gt, "lt": lt, "eq": eq}
    return {"a": a, "b": b} | inputs | outputs | {"label": label, "note": note}


def directed() -> list[Row]:
    """Each row of the function table once, then chained words."""
    rows = []
    for bit in (3, 2, 1, 0):
        high, low = 1 << bit, (1 << bit) - 1
        against = (0, 1, 0) if bit % 2 else (0, 0, 1)
        rows.append(row(high, low, against, f"A{bit} > B{bit}", "lower bits say the opposite"))
        rows.append(row(low, high, (1, 0, 0), f"A{bit} < B{bit}", "lower bits say the opposite"))
    rows += [
        row(6, 6, levels, "A = B, cascading inputs {}{}{}".format(*levels)) for levels in CASCADE
    ]
    rows.append(row(0, 0, (0, 0, 1), "both zero"))
    rows.append(row(15, 15, (0, 0, 1), "both fifteen"))
    return rows


def exhaustive() -> list[Row]:
    """All 2048 input conditions."""
    return [row(a, b, cascade) for cascade in sorted(CASCADE) for a in range(16) for b in range(16)]


def as_csv(rows: list[Row]) -> str:
    """Rows as CSV text; the first row names the columns."""
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def tables() -> dict[str, str]:
    """Every table of this design: file name and CSV text."""
    return {"directed.csv": as_csv(directed()), "exhaustive.csv": as_csv(exhaustive())}


if __name__ == "__main__":
    for name, text in tables().items():
        (Path(__file__).parent / name).write_text(text, encoding="utf-8", newline="")
