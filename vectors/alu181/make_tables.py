"""Writes the tables of the ALU from the SN74LS181 function table for active-high data.

Source: Texas Instruments SDLS136, function table for active-high data: 16 logic functions with
M high, 16 arithmetic operations with M low. Cn low adds one, Cn+4 low is a carry out, A = B is
high when F is HHHH. The carry pins obey the relation by which such parts are chained: there is
no carry out (Cn+4 high) if Y is low, or if X is low and Cn is high. X is not tested where that
relation leaves it open (Y low), nor is Cn+4 in logic mode.
"""

# ruff: noqa: ARG005 - every line of the function table takes both operands

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path

Logic = Callable[[int, int], int]
Row = dict[str, object]

LOGIC: list[tuple[str, Logic]] = [
    ("NOT A", lambda a, b: ~a),
    ("NOT (A OR B)", lambda a, b: ~(a | b)),
    ("(NOT A) AND B", lambda a, b: ~a & b),
    ("logical 0", lambda a, b: 0),
    ("NOT (A AND B)", lambda a, b: ~(a & b)),
    ("NOT B", lambda a, b: ~b),
    ("A XOR B", lambda a, b: a ^ b),
    ("A AND (NOT B)", lambda a, b: a & ~b),
    ("(NOT A) OR B", lambda a, b: ~a | b),
    ("NOT (A XOR B)", lambda a, b: ~(a ^ b)),
    ("B", lambda a, b: b),
    ("A AND B", lambda a, b: a & b),
    ("logical 1", lambda a, b: 15),
    ("A OR (NOT B)", lambda a, b: a | ~b),
    ("A OR B", lambda a, b: a | b),
    ("A", lambda a, b: a),
]
"""M high: name and function for S = 0 to 15."""

ARITHMETIC: list[tuple[str, Logic, Logic]] = [
    ("A", lambda a, b: a, lambda a, b: 0),
    ("A OR B", lambda a, b: a | b, lambda a, b: 0),
    ("A OR NOT B", lambda a, b: a | ~b, lambda a, b: 0),
    ("minus 1", lambda a, b: 0, lambda a, b: 15),
    ("A plus A AND NOT B", lambda a, b: a, lambda a, b: a & ~b),
    ("(A OR B) plus A AND NOT B", lambda a, b: a | b, lambda a, b: a & ~b),
    ("A minus B minus 1", lambda a, b: a, lambda a, b: ~b),
    ("A AND NOT B minus 1", lambda a, b: a & ~b, lambda a, b: 15),
    ("A plus A AND B", lambda a, b: a, lambda a, b: a & b),
    ("A plus B", lambda a, b: a, lambda a, b: b),
    ("(A OR NOT B) plus A AND B", lambda a, b: a | ~b, lambda a, b: a & b),
    ("A AND B minus 1", lambda a, b: a & b, lambda a, b: 15),
    ("A plus A", lambda a, b: a, lambda a, b: a),
    ("(A OR B) plus A", lambda a, b: a | b, lambda a, b: a),
    ("(A OR NOT B) plus A", lambda a, b: a | ~b, lambda a, b: a),
    ("A minus 1", lambda a, b: a, lambda a, b: 15),
]
"""M low, Cn high: name and the two addends for S = 0 to 15 (minus 1 is plus 15, modulo 16)."""

CORNERS = [(0, 0), (15, 15), (5, 10), (10, 5), (12, 10), (1, 15), (8, 8), (7, 9)]
"""Operands of the directed cases: extremes, both chequers, and long carries."""

COLUMNS = ["clk", "s", "a", "b", "cn", "f", "a_eq_b", "cn4", "x", "y", "label", "note"]


def hl(level: bool) -> str:
    """Return the symbol that tests a level."""
    return "H" if level else "L"


def no_carry(s: int, a: int, b: int, cn: int) -> bool:
    """Level of Cn+4 for the arithmetic operation: high if the sum stays below 16."""
    _, left, right = ARITHMETIC[s]
    return (left(a, b) & 15) + (right(a, b) & 15) + (1 - cn) < 16


def carry_pins(s: int, a: int, b: int) -> tuple[str, str]:
    """X and Y from the chaining relation; X is X (not tested) where it is left open."""
    y = not no_carry(s, a, b, 0)
    x = hl(not no_carry(s, a, b, 1)) if y else "X"
    return x, hl(y)


def operate(m: int, s: int, a: int, b: int, cn: int) -> Row:
    """Give the outputs for one input condition."""
    if m:
        f = LOGIC[s][1](a, b) & 15
        return {"f": f, "a_eq_b": hl(f == 15), "cn4": "X", "x": "X", "y": "X"}
    _, left, right = ARITHMETIC[s]
    f = (left(a, b) + right(a, b) + (1 - cn)) & 15
    x, y = carry_pins(s, a, b)
    return {"f": f, "a_eq_b": hl(f == 15), "cn4": hl(no_carry(s, a, b, cn)), "x": x, "y": y}


def load(m: int, s: int) -> Row:
    """Clock a function into the register, operands at zero, and test its first result."""
    name = LOGIC[s][0] if m else ARITHMETIC[s][0]
    row: Row = {"clk": "C", "s": s, "a": 0, "b": 0, "cn": m}
    return row | operate(m, s, 0, 0, m) | {"label": f"{'logic' if m else 'arithmetic'} {s}: {name}"}


def vector(m: int, s: int, a: int, b: int, cn: int) -> Row:
    """One vector of the loaded function; S is inverted to show that the register holds."""
    row: Row = {"clk": 0, "s": 15 - s, "a": a, "b": b, "cn": cn}
    return row | operate(m, s, a, b, cn)


def directed() -> list[Row]:
    """Reset, then each function on revealing operands, in the order of the data sheet."""
    start = {"clk": 0, "s": 0, "a": 9, "b": 6, "cn": 1, "label": "after reset"}
    rows: list[Row] = [start | operate(1, 15, 9, 6, 1) | {"note": "reset selects F = A"}]
    for m in (1, 0):
        for s in range(16):
            rows.append(load(m, s))
            rows += [vector(m, s, a, b, cn) for a, b in CORNERS for cn in (1, 0)]
    return rows


def exhaustive() -> list[Row]:
    """All operands and both carries for all 32 functions."""
    rows: list[Row] = []
    for m in (1, 0):
        for s in range(16):
            rows.append(load(m, s))
            operands = ((a, b) for a in range(16) for b in range(16))
            rows += [vector(m, s, a, b, cn) for a, b in operands for cn in (1, 0)]
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
    return {"directed.csv": as_csv(directed()), "exhaustive.csv": as_csv(exhaustive())}


if __name__ == "__main__":
    for name, text in tables().items():
        (Path(__file__).parent / name).write_text(text, encoding="utf-8", newline="")
