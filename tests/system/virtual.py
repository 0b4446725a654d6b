"""Virtual boards for the system tests: the demo shuttle on the real interpreter."""

from __future__ import annotations

import re
import shutil
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from harness.board import BoardProfile, Session, load_profile, open_session
from harness.link import Timeouts
from harness.shuttle import Direction, Shuttle, load_shuttle
from harness.table import Pattern, Words
from harness.virtual import VirtualBoardSpec, VirtualRack
from tests.racks import forked

ROOT = Path(__file__).resolve().parents[2]
SHUTTLE = ROOT / "vectors" / "shuttle.toml"
PROFILE = ROOT / "ci" / "wader.toml"
HURRIED = Timeouts(repeat=0.3, give_up=6.0)


@cache
def shuttle() -> Shuttle:
    """The demo shuttle."""
    return load_shuttle(SHUTTLE)


@cache
def profile() -> BoardProfile:
    """The demo board's profile, for a virtual board."""
    return replace(load_profile(PROFILE, shuttle()), backend="virtual")


def spec(**changes: Any) -> VirtualBoardSpec:
    """A good board with a good chip, but for the changes."""
    return replace(VirtualBoardSpec("A1", "WB-01", "SP2-0001", SHUTTLE, PROFILE), **changes)


def few_designs(folder: Path, *names: str) -> Path:
    """Write the demo's shuttle file with only these designs, beside copies of their folders."""
    vectors = folder / "vectors"
    vectors.mkdir(exist_ok=True)
    for name in names:
        if not (vectors / name).exists():
            shutil.copytree(ROOT / "vectors" / name, vectors / name)
    text = SHUTTLE.read_text("utf-8")
    checks = [name for name in tomllib.loads(text)["pin_check"] if name.split("/")[0] in names]
    for key, kept in {"designs": list(names), "pin_check": checks}.items():
        text = re.sub(rf"(?ms)^{key} = \[.*?\]", f"{key} = {kept}", text)
    path = vectors / "shuttle.toml"
    path.write_text(text, "utf-8")
    return path


UPLOAD_BYTES = 15_600
"""About how many bytes pass, both ways together, until a virtual board has the agent.

``test_virtual_board`` holds it; faults that come at a byte count from here.
"""


@contextmanager
def board(**changes: Any) -> Iterator[str]:
    """The port of a virtual board."""
    wanted = spec(**changes)
    with VirtualRack([wanted], launch=forked) as rack:
        yield rack.ports[wanted.slot]


@contextmanager
def session(url: str) -> Iterator[Session]:
    """A session that is closed at the end."""
    opened = open_session(url, profile(), shuttle(), HURRIED)
    try:
        yield opened
    finally:
        opened.close()


def vectors(drive: Words, expect: Words, care: int, **changes: Any) -> Pattern:
    """Vectors that drive the nine inputs and test some pins; other arrays by name."""
    plain = Pattern.of(
        drive=drive,
        enable=np.full(len(drive), 511, np.uint32),
        expect=expect,
        care=np.full(len(drive), care, np.uint32),
        line=np.arange(len(drive), dtype=np.int32) + 2,
    )
    inputs = tuple(pin for pin in shuttle().pins if pin.direction is Direction.INPUT)
    assert sum(pin.mask for pin in inputs) == 511
    return replace(plain, **changes)
