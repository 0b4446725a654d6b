"""What the engine gets is what a session with a board drives: reset first, rest filled in."""

from __future__ import annotations

from harness.rehearse import table_rows
from harness.shuttle import Shuttle
from harness.table import bits, load_table
from tests.published import demo

RESTING = {*(f"in{k}" for k in range(9)), "clk", "nreset", "seld", "selc"}
"""The pins that a board always drives."""


def named(shuttle: Shuttle, word: int) -> set[str]:
    """The pins of a word."""
    return {shuttle.pins[bit].name for bit in bits(word)}


def test_reset_comes_first_and_pins_that_no_row_mentions_rest() -> None:
    spec, shuttle = demo.table_spec("lfsr", "period"), demo.shuttle()
    pattern = load_table(spec, demo.design("lfsr"), shuttle)
    rows, lead = table_rows(pattern, spec, shuttle)
    drive, enable, pulse, expect, care, highz, count, until = rows[0].tolist()
    assert (lead, len(rows)) == (1, len(pattern) + 1)
    assert (drive, named(shuttle, enable), named(shuttle, pulse)) == (0, RESTING, {"clk"})
    assert (expect, care, highz, count, until) == (0, 0, 0, spec.reset_cycles, 0)
    assert all(named(shuttle, enable) == RESTING for enable in rows[:, 1].tolist())
    others = named(shuttle, int(rows[1, 0])) - {
        pin.name for bus in pattern.signals for pin in bus.pins
    }
    assert others <= {"nreset"}


def test_without_a_reset_the_rows_are_the_tables_own() -> None:
    spec, shuttle = demo.table_spec("ram16x4", "bus"), demo.shuttle()
    pattern = load_table(spec, demo.design("ram16x4"), shuttle)
    rows, lead = table_rows(pattern, spec, shuttle)
    bus = {f"io{k}" for k in range(4)}
    assert (lead, len(rows)) == (0, len(pattern))
    assert named(shuttle, int(rows[0, 5])) == bus  # ZZZZ: tested, and driven by nobody
    assert named(shuttle, int(rows[0, 1])) == RESTING
    assert named(shuttle, int(rows[1, 1])) == RESTING | bus  # 0001: driven
    assert named(shuttle, int(rows[1, 0])) == {"in4", "in5", "io0", "nreset"}
