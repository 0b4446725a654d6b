"""Attacks on netlists: refused, or as many gates and flops as stand there."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random

from harness.errors import NetlistError
from harness.netlist import Netlist, load_netlist
from tests.attack.attack import DIFFERENT, REFUSED, Attack, Wrong
from tests.attack.damage import TEXT, damaged

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Netlists:
    """Netlists of one form. ``flops`` counts them by a plain look at the text."""

    path: Path
    sound: tuple[bytes, ...]
    load: Callable[[Path], Netlist]
    flops: Callable[[bytes], int]

    def make(self, random: Random) -> bytes:
        return damaged(random.choice(self.sound), random, TEXT)

    def judge(self, case: bytes) -> str:
        self.path.write_bytes(case)
        try:
            netlist = self.load(self.path)
        except NetlistError as error:
            if not str(error).startswith(str(self.path)):
                raise Wrong(f"the file is not named: {error}") from error
            return REFUSED
        if netlist.flop_count != self.flops(case):
            raise Wrong(f"{netlist.flop_count} flops where {self.flops(case)} stand")
        return DIFFERENT


def _json_flops(case: bytes) -> int:
    cells = json.loads(case)["modules"]["top"]["cells"].values()
    return sum("DFF" in cell["type"] or "DLATCH" in cell["type"] for cell in cells)


def _bench_flops(case: bytes) -> int:
    lines = [line.split("#")[0].upper() for line in case.decode().splitlines()]
    return sum("=" in line and line.split("=", 1)[1].strip().startswith("DFF") for line in lines)


def yosys_netlists(folder: Path) -> Attack:
    """The JSON of Yosys."""
    names = ("ctr163", "gray")
    texts = [(ROOT / f"vectors/{name}/netlist.json").read_text("utf-8") for name in names]
    texts = [
        text.replace(f'{{"{name}":', '{"top":', 1) for name, text in zip(names, texts, strict=True)
    ]
    sound = tuple(text.encode() for text in texts)
    return Netlists(folder / "n.json", sound, lambda path: load_netlist(path, "top"), _json_flops)


def bench_netlists(folder: Path) -> Attack:
    """The ``.bench`` form of the ISCAS circuits."""
    data = ROOT / "tests/published/data"
    sound = tuple((data / name).read_bytes() for name in ("c17.bench", "s27.bench"))
    return Netlists(folder / "n.bench", sound, load_netlist, _bench_flops)
