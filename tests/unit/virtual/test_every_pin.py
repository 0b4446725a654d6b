"""Every kind of fault on every pin of the demo board: a rack file may have it, and it is felt."""

from __future__ import annotations

import operator
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from harness.board import RunConditions
from harness.rack import load_rack
from harness.rack.faults import BOARD_FAULTS, DEFECTS
from harness.shuttle import Direction
from harness.table import Pattern, load_table
from harness.virtual import BoardFault, ChipDefect, DirectBoard
from tests.system.virtual import PROFILE, SHUTTLE, profile, shuttle, spec

PINS = [pin.name for pin in shuttle().pins]
OUTPUTS = [name for name in PINS if name.startswith(("out", "io"))]
LEVELS = 'pin = "{0}"\nlevel = 0\n', 'pin = "{0}"\nlevel = 1\n'
PAIR = 'pin_a = "{0}"\npin_b = "{1}"\n'
SWEPT: dict[str, tuple[tuple[str, ...], list[str]]] = {
    "open-pin": (('pin = "{0}"\n', 'pin = "{0}"\nprobability = 0.5\n'), PINS),
    "stuck-pin": (LEVELS, PINS),
    "shorted-pins": ((PAIR, PAIR + 'wired = "or"\n'), PINS),
    "swapped-pins": ((PAIR,), PINS),
    "moved-pins": (('pins = ["{0}", "{1}", "{2}"]\n',), PINS),
    "turned-chip": (("",), [""]),
    "no-clock": (("",), [""]),
    "no-supply": (("",), [""]),
    "dead-pad": (LEVELS, PINS),
    "output-stuck": (LEVELS, OUTPUTS),
    "never-low": (('pin = "{0}"\n',), OUTPUTS),
    "never-high": (('pin = "{0}"\n',), OUTPUTS),
    "select-bit-stuck": (("bit = {0}\nlevel = 0\n", "bit = {0}\nlevel = 1\n"), [*"01234"]),
    "other-shuttle": (("shift = {0}\n",), [*"1"]),
}
"""Keys for each kind, with the pin (and those after it) in their places."""
UNFELT = {
    (
        "select-bit-stuck",
        "bit = 4\nlevel = 0\n",
    ),  # the designs of the tables are at lower addresses
    ("shorted-pins", 'pin_a = "nreset"\npin_b = "seld"\nwired = "or"\n'),  # reset follows later
}


def faults() -> Iterator[tuple[str, str]]:
    """Every kind with its keys."""
    for kind, (texts, places) in SWEPT.items():
        for index, place in enumerate(places):
            others = [places[(index + step) % len(places)] for step in (1, 2)]
            yield from ((kind, text.format(place, *others)) for text in texts)


def slot(number: int, kind: str, keys: str) -> str:
    section = "defect" if kind in DEFECTS else "board_fault"
    return (
        f'[[slot]]\nname = "A{number}"\nport = "virtual"\nchip = "SP2-{number:04}"\n'
        f'[[slot.{section}]]\nkind = "{kind}"\n{keys}'
    )


@cache
def tables() -> list[tuple[str, Pattern]]:
    """The tables that together move every pin; each cycle also shows which outputs float."""
    found = []
    for name in shuttle().pin_check:
        design_name, table = name.split("/")
        design = shuttle().designs_by_name[design_name]
        (one,) = (one for one in design.tables if one.name == table)
        pattern = load_table(one, design, shuttle())
        read = np.uint32(shuttle().mask(Direction.OUTPUT, Direction.BIDIRECTIONAL))
        found.append((design_name, replace(pattern, highz=read & ~pattern.enable)))
    return found


def answers(
    defects: tuple[ChipDefect, ...] = (), board_faults: tuple[BoardFault, ...] = ()
) -> Iterator[object]:
    """What the board says of each table, one after the other."""
    board = DirectBoard(spec(defects=defects, board_faults=board_faults), shuttle(), profile())
    for design, pattern in tables():
        board.select(shuttle().designs_by_name[design])
        capture = board.run(pattern, RunConditions(10_000.0))
        yield capture.signature, capture.until_used


def test_the_sweep_has_every_kind_that_is_not_inside_a_design() -> None:
    inside = {"net-stuck", "net-bridge", "slow-path"}
    assert set(SWEPT) == {*DEFECTS, *BOARD_FAULTS} - inside


def test_each_kind_is_accepted_and_felt_on_each_pin(tmp_path: Path) -> None:
    every = list(faults())
    path = tmp_path / "rack.toml"
    path.write_text(
        f'shuttle = "{SHUTTLE}"\nprofile = "{PROFILE}"\n'
        + "".join(slot(number, *fault) for number, fault in enumerate(every))
    )
    healthy = list(answers())
    unfelt = {
        fault
        for fault, read in zip(every, load_rack(path).slots, strict=True)
        if all(map(operator.eq, answers(read.defects, read.board_faults), healthy))
    }
    assert unfelt == UNFELT
