"""Writes the table of the priority encoder from the SN74LS148 function table.

Source: Texas Instruments SDLS053, function table: EI high makes every output high; with EI low
and no input low only EO is low; else GS is low and A2 A1 A0 name the highest input that is low,
inverted.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

Row = dict[str, object]

ENCODED = ["HHH", "HHL", "HLH", "HLL", "LHH", "LHL", "LLH", "LLL"]
"""A2 A1 A0 when input 0 to 7 is the highest that is low."""


def respond(ei_n: int, d_n: str) -> tuple[str, str, str]:
    """A2 A1 A0, GS and EO; ``d_n`` holds the levels of inputs 7 to 0."""
    if ei_n:
        return "HHH", "H", "H"
    if "0" not in d_n:
        return "HHH", "H", "L"
    return ENCODED[7 - d_n.index("0")], "L", "H"


def row(ei_n: int, d_n: str, label: str = "", note: str = "") -> Row:
    """One vector; the bus is written as symbols, input 7 first."""
    a_n, gs_n, eo_n = respond(ei_n, d_n)
    inputs: Row = {"ei_n": ei_n, "d_n": d_n}
    return inputs | {"a_n": a_n, "gs_n": gs_n, "eo_n": eo_n, "label": label, "note": note}


def directed() -> list[Row]:
    """Follow the function table row by row; its X inputs once all high, once all low."""
    rows = [
        row(1, "11111111", "disabled", "inputs do not matter"),
        row(1, "00000000", "disabled, all low"),
        row(0, "11111111", "nothing to encode", "EO enables the next encoder"),
    ]
    for k in range(7, -1, -1):
        rows.append(row(0, "1" * (7 - k) + "0" + "1" * k, f"input {k} alone"))
        rows.append(row(0, "1" * (7 - k) + "0" + "0" * k, f"input {k} over all below"))
    return rows


def exhaustive() -> list[Row]:
    """All 512 input conditions."""
    return [
        row(ei_n, f"{code:08b}", "exhaustive" * (ei_n == 0 and code == 0))
        for ei_n in (0, 1)
        for code in range(256)
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
