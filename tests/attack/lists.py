"""Attacks on transaction lists: what is accepted becomes a table that sends what the list says.

One rule: the plain reading takes the list with ``tomllib`` and finds the characters in the written
cells of the line; it shares nothing with the tool.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from tests.attack.attack import DIFFERENT, REFUSED, SAME, Attack, Wrong, command
from tests.attack.damage import TEXT, damaged
from tests.unit.convert.serial_bench import Lines

UART = 'kind = "uart"\ntx = "txd"\nrx = "rxd"\nbit_cycles = 4'
SOUND = (
    b"""serial = "line"
[[step]]
idle = 12
set = { d = "0x5A" }
[[step]]
to_chip = "Hi\\n"
label = "greets"
[[step]]
from_chip = [0x41, "x"]
first = { go = "1" }
""",
    b"""serial = "line"
[[step]]
to_chip = [0, 255, 7]
from_chip = "ok"
note = "both"
[[step]]
from_chip = ["x"]
within = 90
[[step]]
skip = 3
[[step]]
to_chip = "z"
""",
)
BIT, BITS = 4, 8


@dataclass(frozen=True)
class Lists:
    """Lists of a UART."""

    path: Path

    def make(self, random: Random) -> bytes:
        return damaged(random.choice(SOUND), random, TEXT)

    def judge(self, case: bytes) -> str:
        self.path.write_bytes(case)
        code, printed = command(["expand", str(self.path), "--replace"])
        if code == 2 and " error [" in printed:
            return REFUSED
        if code != 0 or " error [" in printed:
            raise Wrong(f"exit code {code}: {printed[-300:]}")
        written = tomllib.loads(case.removeprefix(b"\xef\xbb\xbf").decode("utf-8"))
        if not any("wrong" in step for step in written["step"]):
            wanted, sent = list(_wanted(written)), list(_sent(self.path.with_suffix(".csv")))
            if sent != wanted:
                raise Wrong(f"the table sends {sent[:20]} for {wanted[:20]}")
        return SAME if case in SOUND else DIFFERENT


def _wanted(written: Mapping[str, Any]) -> Iterator[int]:
    for step in written["step"]:
        told = step.get("to_chip", [])
        yield from told.encode() if isinstance(told, str) else told


def _sent(table: Path) -> Iterator[int]:
    """Characters on ``rxd``: a start bit, bits from the lowest on, a stop bit."""
    with table.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        line = "".join(row["rxd"] * int(row["repeat"].removeprefix("until ") or 1) for row in rows)
    at = 0
    while (at := line.find("0", at)) >= 0:
        bits = line[at : at + (BITS + 2) * BIT]
        if {bits[k * BIT : (k + 1) * BIT] for k in range(BITS + 2)} - {"0" * BIT, "1" * BIT}:
            raise Wrong(f"a bit is not {BIT} cycles long: {bits}")
        if bits[-1] != "1":
            raise Wrong(f"a character has no stop bit: {bits}")
        yield sum(1 << k for k in range(BITS) if bits[(k + 1) * BIT] == "1")
        at += len(bits)


def lists(folder: Path) -> Attack:
    """Transaction lists of a design without a netlist."""
    lines = Lines(folder)
    lines.design(UART)
    attack = Lists(folder / "lines" / "list.toml")
    for case in SOUND:
        assert attack.judge(case) == SAME
    return attack
