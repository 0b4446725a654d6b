"""What many designs cost: each is looked up among those before it, not compared with each."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import cast

from harness.shuttle import TomlTable, load_shuttle
from harness.shuttle.design_file import DesignFile
from harness.shuttle.reader import _compare

ROOT = Path(__file__).resolve().parents[3]


class Counted(str):
    """A name that counts how often it is compared."""

    __slots__ = ()
    compared = 0
    __hash__ = str.__hash__

    def __eq__(self, other: object) -> bool:
        Counted.compared += 1
        return str.__eq__(self, other)


def test_designs_are_not_compared_each_with_each() -> None:
    design = load_shuttle(ROOT / "vectors").designs[0]
    top = cast("TomlTable", None)  # nothing is found
    names = [Counted(f"d{number}") for number in range(300)]
    _compare([DesignFile(replace(design, name=n, address=i), top) for i, n in enumerate(names)])
    assert Counted.compared < 2 * len(names)
