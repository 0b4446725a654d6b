"""Pins for the ports of a top module: clock, reset, widths, what does not fit, names."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.convert import new_files, propose, wrapper_text
from harness.netlist import PortDirection, Source, SourcePort
from harness.shuttle import load_shuttle

IN, OUT, IO = PortDirection.INPUT, PortDirection.OUTPUT, PortDirection.INOUT
SHUTTLE = load_shuttle(Path(__file__).parents[3] / "vectors")


def source(*ports: SourcePort) -> Source:
    return Source("top", ports, (), ())


def pins(*ports: SourcePort) -> dict[str, tuple[str, ...]]:
    return {placed.port.name: placed.ranges for placed in propose(source(*ports), SHUTTLE).ports}


def test_every_direction_has_pins_of_its_own_with_the_first_as_least_significant() -> None:
    assert pins(
        SourcePort("a", IN, 3),
        SourcePort("b", IN, 1),
        SourcePort("dq", IO, 2),
        SourcePort("y", OUT, 9),
    ) == {"a": ("in2..in0",), "b": ("in3",), "dq": ("io1..io0",), "y": ("out8..out0",)}


def test_what_is_too_wide_goes_on_to_bidirectional_pins_that_no_inout_needs() -> None:
    made = propose(
        source(SourcePort("a", IN, 10), SourcePort("y", OUT, 10), SourcePort("dq", IO, 2)), SHUTTLE
    )
    assert [placed.ranges for placed in made.ports] == [
        ("io2", "in8..in0"),
        ("io3", "out8..out0"),
        ("io1..io0",),
    ]
    assert (
        'a = {"pins" = ["io2", "in8..in0"], direction = "input"}'.replace('"pins"', "pins")
        in new_files("top", made, ["top.v"], 1)["design.toml"]
    )


@pytest.mark.parametrize(
    ("ports", "clock"),
    [
        ([SourcePort("sck", IN, 1, 8), SourcePort("x", IN, 1)], "sck"),
        ([SourcePort("tick", IN, 1, 8), SourcePort("clk", IN, 1, 2)], "clk"),
        ([SourcePort("tick", IN, 1, 8), SourcePort("clk", IN, 1)], "tick"),
        ([SourcePort("clk_i", IN, 1), SourcePort("x", IN, 1)], "clk_i"),
        ([SourcePort("clocks", IN, 1), SourcePort("clk", IN, 2)], ""),
    ],
)
def test_a_clock_is_found_by_use_and_then_by_name(ports: list[SourcePort], clock: str) -> None:
    assert propose(source(*ports), SHUTTLE).clock == clock


@pytest.mark.parametrize(
    ("port", "active", "pin"),
    [
        (SourcePort("rst_n", IN, 1, 0, 0), 0, "nreset"),
        (SourcePort("rst", IN, 1, 0, 1), 1, "in0"),
        (SourcePort("rst", IN, 1, 0, 0), 0, "nreset"),  # the use says more than the name
        (SourcePort("nreset", IN, 1), 0, "nreset"),
        (SourcePort("rst_ni", IN, 1), 0, "nreset"),
        (SourcePort("sys_reset", IN, 1), 1, "in0"),
    ],
)
def test_a_reset_of_the_chips_level_is_on_its_reset_pin(
    port: SourcePort, active: int, pin: str
) -> None:
    made = propose(source(port, SourcePort("y", OUT, 1)), SHUTTLE)
    assert (made.reset, made.active, made.ports[0].pins) == (port.name, active, (pin,))
    assert ("reset_cycles = 0" in new_files("top", made, ["top.v"], 1)["design.toml"]) == (
        pin != "nreset"
    )
    assert f"{active},,2,reset," in new_files("top", made, ["top.v"], 1)["first.csv"]


@pytest.mark.parametrize("name", ["first", "burst", "preset_value", "restart"])
def test_what_only_sounds_like_a_reset_is_none(name: str) -> None:
    assert not propose(source(SourcePort(name, IN, 1)), SHUTTLE).reset


def test_ports_without_room_are_tied_or_left_open_in_a_wrapper() -> None:
    made = propose(
        source(
            SourcePort("clk", IN, 1, 4),
            SourcePort("div", IN, 32),
            SourcePort("d", IN, 8),
            SourcePort("q", OUT, 32),
            SourcePort("full", OUT, 1),
        ),
        SHUTTLE,
    )
    assert not made.fits
    assert wrapper_text(made) == (
        "// top with the ports that this chip has pins for; edit it\n"
        "module top_pins (\n"
        "  input  wire clk,\n"
        "  input  wire [7:0] d,\n"
        "  output wire full\n"
        ");\n"
        "  top inner (\n"
        "    .clk(clk),\n"
        "    .div(32'd0),  // tied to 0\n"
        "    .d(d),\n"
        "    .q(),  // left open\n"
        "    .full(full)\n"
        "  );\n"
        "endmodule\n"
    )


def test_names_that_no_signal_can_have_are_renamed_and_nothing_of_them_becomes_verilog() -> None:
    odd = ("note", "_x", "a$b", "y;endmodule", "do", "y_endmodule")
    made = propose(source(*(SourcePort(name, IN, 1) for name in odd)), SHUTTLE)
    assert [placed.name for placed in made.ports] == [
        "p_note",
        "x",
        "a_b",
        "y_endmodule_",
        "p_do",
        "y_endmodule",
    ]
    text = wrapper_text(made)
    assert "    .\\y;endmodule (y_endmodule_),\n    .\\do (p_do),\n" in text
    assert not made.fits
