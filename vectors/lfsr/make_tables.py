"""Writes the tables of the shift register from the taps of XAPP052.

Source: P. Alfke, "Efficient Shift Registers, LFSR Counters, and Long Pseudo-Random Sequence
Generators", Xilinx XAPP052 (1996), table 3: for n = 12 the XNOR of stages 12, 6, 4 and 1 feeds
stage 1, and the sequence has 2^12 - 1 states (all but all-ones).
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

Row = dict[str, object]

COLUMNS = ["clk", "rst_n", "en", "q", "repeat", "label", "note"]
STAGES = 12
TAPS = (12, 6, 4, 1)
PERIOD = 2**STAGES - 1


def successor(stages: list[int]) -> list[int]:
    """Shift by one: ``stages[0]`` is stage 1, which takes the XNOR of the taps."""
    ones = sum(stages[tap - 1] for tap in TAPS)
    return [1 - ones % 2, *stages[:-1]]


def states(count: int) -> list[str]:
    """List the first ``count`` states from reset, each as a number with stage 12 first."""
    found, stages = [], [0] * STAGES
    for _ in range(count):
        found.append("0x" + f"{int(''.join(map(str, reversed(stages))), 2):03X}")
        stages = successor(stages)
    return found


def row(clk: str, rst_n: int, en: int, q: str, label: str = "", note: str = "") -> Row:
    """One vector."""
    return {"clk": clk, "rst_n": rst_n, "en": en, "q": q, "label": label, "note": note}


def period() -> list[Row]:
    """First states, hold, reset in flight, then once round by a match loop."""
    first = states(32)
    rows = [row("0", 1, 1, first[0], "after reset")]
    rows += [row("C", 1, 1, q, "shifting" * (k == 0)) for k, q in enumerate(first[1:])]
    rows.append(row("C", 1, 0, first[-1], "held while EN is low") | {"repeat": 50})
    rows.append(row("0", 0, 1, first[0], "reset needs no clock"))
    rows.append(row("C", 0, 1, first[0], "reset goes over EN"))
    rows.append(row("C", 1, 1, "", "not back too early") | {"repeat": PERIOD - 1})
    rows.append(row("0", 1, 1, states(PERIOD)[-1], "last state of the period"))
    rows.append(row("C", 1, 1, first[0], "back after 4095 clocks"))
    rows.append(row("C", 1, 1, first[0], "once round again") | {"repeat": f"until {PERIOD}"})
    rows.append(row("0", 1, 1, first[0], "stands at the start"))
    return rows


def whole() -> list[Row]:
    """Every state of the period, and the first one again."""
    found = states(PERIOD + 1)
    rows = [row("0", 1, 1, found[0], "after reset")]
    rows += [row("C", 1, 1, q) for q in found[1:]]
    rows[-1]["label"] = "back at the start"
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
    return {"period.csv": as_csv(period()), "states.csv": as_csv(whole())}


if __name__ == "__main__":
    for name, text in tables().items():
        (Path(__file__).parent / name).write_text(text, encoding="utf-8", newline="")
