"""Tables judged lane by lane: as the board counts, and without regard to who else is judged."""

from __future__ import annotations

import zlib
from functools import cache

import numpy as np
import pytest

from harness.netlist import (
    Chip,
    Extent,
    Force,
    Kind,
    Lane,
    Netlist,
    Pin,
    Rows,
    Short,
    Verdicts,
    judge,
    load_netlist,
    pin_map,
    random_state,
)
from harness.rehearse import table_rows
from harness.table import load_table
from tests.published import demo

DESIGN, TABLE = "spibank", "edges"


@cache
def netlist(design: str) -> Netlist:
    found = demo.design(design)
    assert found.netlist is not None
    return load_netlist(found.netlist, found.top)


def pins(design: str) -> list[Pin]:
    return pin_map(netlist(design), demo.design(design))


@cache
def table(design: str, name: str) -> tuple[Rows, int]:
    spec = demo.table_spec(design, name)
    return table_rows(load_table(spec, demo.design(design), demo.shuttle()), spec, demo.shuttle())


def lanes(design: str) -> list[Lane]:
    """A good board, and one thing wrong a lane: pins, lines, nets, bridges."""
    bits = [pin.bit for pin in pins(design)]
    named = [n for name, n in netlist(design).nets_by_name.items() if not name.startswith("$")]
    rng = np.random.default_rng(5)
    chosen = [int(net) for net in rng.choice(named, 3)]
    made = [Lane()]
    for bit in bits[:3]:
        made += [
            Lane(wires=((bit, None),)),
            Lane(lines=((bit, 1),)),
            Lane(outputs=(Force(bit, 0),)),
        ]
    for a, b in zip(bits[::3], bits[1::3], strict=False):
        made += [Lane(wires=((a, b), (b, a))), Lane(shorts=(Short(a, b, Kind.AND),))]
    made += [Lane(nets=(Force(net, level),)) for net in chosen for level in (0, 1)]
    return [*made, Lane(bridges=(Short(chosen[0], chosen[1], Kind.OR),))]


def single(design: str, lane: Lane, seed: int, rows: Rows, lead: int) -> tuple[int, ...]:
    """What a board says that runs the chip row by row: cycles, wrong cycles, signature, first."""
    state = random_state(netlist(design), [seed])
    chip = Chip(netlist(design), pins(design), lane, state)
    words: list[tuple[int, int]] = []
    at, first = 0, (-1, 0, 0)
    for number, row in enumerate(rows.tolist()):
        count, until = row[6], row[7]
        extent = Extent(count, row[3], row[4] if until else 0, at, 0, 1 << 60)
        one = np.array([row])
        for _ in range(1 if until else count):
            used = extent if until else extent._replace(cycles=1)
            found, took, _, _ = chip.run(one, used)
            seen, floating, _ = (int(word) for word in found[0])
            at += took
            if number < lead:
                continue
            highz = 0 if until else row[5]
            wrong = ((seen ^ row[3]) & row[4]) | (highz & ~floating)
            words.append(((seen & row[4]) | (floating & highz), wrong))
            if wrong and first[0] < 0:
                first = (number, seen, wrong)
    tested = np.array([word for word, _ in words], dtype="<u4").tobytes()
    return sum(1 for _, wrong in words if wrong), zlib.crc32(tested), *first


@pytest.mark.parametrize(("design", "name"), [(DESIGN, TABLE), ("ctr163", "sequence")])
def test_each_lane_is_judged_as_its_chip_alone_would_be_on_a_board(design: str, name: str) -> None:
    rows, lead = table(design, name)
    special = lanes(design)
    seeds = list(range(len(special)))
    found = judge(
        netlist(design),
        pins(design),
        special,
        random_state(netlist(design), seeds),
        rows,
        lead=lead,
    )
    for number, lane in enumerate(special):
        if found.unsettled[number]:
            continue
        told = (
            found.wrong_cycles[number],
            found.signature[number],
            found.first_row[number],
            found.first_seen[number],
            found.first_wrong[number],
        )
        assert told == single(design, lane, number, rows, lead), lane


def same(first: Verdicts, second: Verdicts, order: list[int]) -> bool:
    return all(
        (column[order] == other).all()
        for column, other in zip(vars(first).values(), vars(second).values(), strict=True)
    )


def test_lanes_do_not_see_each_other_and_their_order_changes_nothing() -> None:
    """The same lanes by the word, by the row, and turned round."""
    rows, lead = table(DESIGN, TABLE)
    special = (lanes(DESIGN) * 30)[:512]
    states = random_state(netlist(DESIGN), list(range(512)))

    def judged(chosen: list[int]) -> Verdicts:
        return judge(
            netlist(DESIGN),
            pins(DESIGN),
            [special[k] for k in chosen],
            states[:, chosen],
            rows,
            lead=lead,
        )

    whole = judged(list(range(512)))
    for order in (list(range(40, 104)), list(range(256)), list(reversed(range(512)))):
        assert same(whole, judged(order), order)
