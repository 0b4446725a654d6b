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
    PortDirection,
    Rows,
    Short,
    Verdicts,
    judge,
    load_netlist,
    parse_bench,
    pin_map,
    random_state,
    stimulus,
)
from harness.netlist.engine import levels_reached
from harness.rehearse import table_rows
from harness.table import load_table
from tests.published import demo
from tests.simulator import Simulator
from tests.unit.netlist.plain import drawn

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


def single(
    design: str, lane: Lane, seed: int, rows: Rows, lead: int
) -> tuple[bool, tuple[int, ...]]:
    """Whether a chip alone never settles in some row, and what a board says that runs its rows.

    That is how many cycles are wrong, the signature, and row and words of the first of them.
    """
    state = random_state(netlist(design), [seed])
    chip = Chip(netlist(design), pins(design), lane, state)
    words: list[tuple[int, int]] = []
    restless = ""
    at, first = 0, (-1, 0, 0)
    for number, row in enumerate(rows.tolist()):
        count, until = row[6], row[7]
        extent = Extent(count, row[3], row[4] if until else 0, at, 0, 1 << 60)
        one = np.array([row])
        for _ in range(1 if until else count):
            used = extent if until else extent._replace(cycles=1)
            found, took, _, net = chip.run(one, used)
            restless = restless or net
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
    wrong_cycles = sum(1 for _, wrong in words if wrong)
    return bool(restless), (wrong_cycles, zlib.crc32(tested), *first)


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
        unsettled, expected = single(design, lane, number, rows, lead)
        assert found.unsettled[number] == unsettled, lane
        answer = (
            found.wrong_cycles[number],
            found.signature[number],
            found.first_row[number],
            found.first_seen[number],
            found.first_wrong[number],
        )
        assert unsettled or answer == expected, lane


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


def test_a_lane_that_never_settles_is_reported_and_leaves_the_others_alone() -> None:
    """An inverter shorted to its input swings while the input is 1; the others follow theirs."""
    small = parse_bench("INPUT(a)\nOUTPUT(y)\nb = BUFF(a)\ny = NOT(b)", "here", "small")
    a, b, y = (small.net(name) for name in "aby")
    where = [Pin(0, a, PortDirection.INPUT), Pin(1, y, PortDirection.OUTPUT)]
    swings = Lane(bridges=(Short(b, y, Kind.AND),))
    special = [Lane(), swings, Lane(nets=(Force(y, 0),)), swings, Lane()]
    state = np.zeros((0, len(special)), dtype=int)
    levels = np.array([0, 1, 0, 1, 0])
    rows = stimulus(levels, 1, 0, 0, expect=levels | (1 - levels) << 1, care=2)
    found = judge(small, where, special, state, rows)
    assert found.unsettled.tolist() == [False, True, False, True, False]
    settled = [special[k] for k in (0, 2, 4)]
    assert same(found, judge(small, where, settled, state[:, :3], rows), [0, 2, 4])
    assert found.wrong_cycles[[0, 2, 4]].tolist() == [0, 3, 0]
    calm = judge(small, where, special, state, rows[:1])
    assert not calm.unsettled.any()


@pytest.mark.parametrize("copies", [1, 30])
def test_a_net_reaches_the_levels_that_it_has_after_some_cycle_in_a_lane(copies: int) -> None:
    drawn_netlist = parse_bench("\n".join(drawn(7, flops=4)), "here", "drawn")
    ports = [port for port in drawn_netlist.ports if port.direction is PortDirection.INPUT]
    where = [Pin(bit, port.nets[0], port.direction) for bit, port in enumerate(ports)]
    clock = 1 << [port.name for port in ports].index("clock")
    special = [Lane(), Lane(nets=(Force(drawn_netlist.net("g3"), 1),)), Lane()] * copies
    state = random_state(drawn_netlist, range(len(special)))
    drive = np.random.default_rng(1).integers(0, clock, 5)
    rows = stimulus(drive, 2 * clock - 1, [clock, 0, clock, clock, clock], 0)
    low, high = levels_reached(drawn_netlist, where, special, state, rows, lead=1)

    simulator = Simulator(drawn_netlist, len(special), special, state)
    levels = []
    for row in rows.tolist():
        for level in (0, 1, 0) if row[2] else (0,):
            for bit, port in enumerate(ports):
                simulator.drive(port.name, row[0] >> bit & 1)
            simulator.drive("clock", level)
            simulator.settle()
        levels.append([simulator.net(net) for net in range(drawn_netlist.net_count)])
    seen = np.array(levels[1:]).astype(bool)
    assert (low == ~seen.all(axis=0).T).all()
    assert (high == seen.any(axis=0).T).all()
    assert (low & high).any(axis=0).sum() > 20
