"""A chip worked by hand, on its netlist: what each step does, and what it leaves in a table."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

import harness
from harness.errors import ConfigError, InputError, ModelMissing, PinsOpen
from harness.hand import HandledChip
from tests.system.virtual import ROOT

DATE = "[0-9]{4}-[0-9]{2}-[0-9]{2}"


@pytest.fixture(scope="module")
def vectors(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two designs of the demo shuttle, in a folder that may be written."""
    folder = tmp_path_factory.mktemp("hand") / "vectors"
    for name in ("ctr163", "ram16x4", "dec138"):
        shutil.copytree(ROOT / "vectors" / name, folder / name)
    text = (ROOT / "vectors" / "shuttle.toml").read_text("utf-8")
    text = re.sub(r"(?s)designs = \[.*?\]", 'designs = ["ctr163", "ram16x4", "dec138"]', text)
    text = re.sub(r"(?m)^pin_check.*\n", "", text)
    (folder / "shuttle.toml").write_text(text, "utf-8")
    return folder


@pytest.fixture
def chip(vectors: Path) -> Iterator[HandledChip]:
    with harness.open_chip(vectors, "ctr163") as opened:
        yield opened


def counting(chip: HandledChip) -> None:
    chip.set(load_n=1, enp=1, ent=1)


def test_a_counter_is_set_clocked_read_waited_for_and_asserted(chip: HandledChip) -> None:
    counting(chip)
    chip.clock(5)
    assert (chip.read("q"), chip.read("q[2]"), chip.read("out0")) == (5, 1, 1)
    assert chip.outputs() == {"q": 5, "rco": 0}
    assert chip.wait(20, q=15, rco="H") == 10
    chip.expect({"q[0]": 1}, rco=1)
    chip.set(d="0b0011", load_n=0)
    chip.clock()
    chip.expect(q="0x3")
    chip.reset()
    chip.expect(q=0)
    assert not chip.floats("q")


def test_a_wrong_output_is_an_assertion_error_with_signal_value_and_pin(chip: HandledChip) -> None:
    counting(chip)
    chip.clock()
    with pytest.raises(AssertionError) as error:
        chip.expect(q=3, rco="H")
    assert str(error.value) == (
        "ctr163 on its netlist: q is 1 (LLLH), expected 3 (LLHH) (pin out1); "
        "rco is L, expected H (pin out4)"
    )
    with pytest.raises(AssertionError) as error:
        chip.wait(3, {"q[3]": "H"})
    assert str(error.value) == (
        "ctr163 on its netlist after 3 cycles: q is 4 (LHLL), expected HXXX (pin out3)"
    )


@pytest.mark.parametrize(
    ("step", "message"),
    [
        (lambda c: c.set(q=1), '"q": this tests an output and drives nothing; use expect'),
        (lambda c: c.set(d=16), "d: 16 is not a number from 0 to 15"),
        (lambda c: c.set(d=-1), "d: -1 is not a number from 0 to 15"),
        (lambda c: c.set(d=""), "d: the text is empty; write F to release a pin"),
        (lambda c: c.set({"d[0]": 1}, d=2), '"d" has a pin that is named twice here'),
        (
            lambda c: c.set(en=1),
            'design "ctr163" has no signal "en"; did you mean "ent"?',
        ),
        (lambda c: c.read("d"), '"d" is an input; outputs of ctr163: q, rco'),
        (lambda c: c.expect(clk=1), '"clk" is an input; outputs of ctr163: q, rco'),
        (lambda c: c.clock(0), "0 cycles; clock at least 1"),
        (
            lambda c: c.wait(5, q="Z"),
            "wait at least 1 cycle, for H, L or a number on some output",
        ),
        (
            lambda c: c.record("a.csv"),
            "no output was read or expected, so this would be a table of no tests",
        ),
        (lambda c: c.select("ctr"), 'no design "ctr"; did you mean "ctr163"?'),
        (lambda c: c.run_table("seq"), 'no table "ctr163/seq"; did you mean "ctr163/sequence"?'),
    ],
)
def test_a_wrong_name_or_value_is_told_and_nothing_happens(
    chip: HandledChip, step: object, message: str
) -> None:
    with pytest.raises(ValueError, match=r".") as error:
        step(chip)  # type: ignore[operator]  # a function of the chip
    assert str(error.value) == message


def test_a_design_without_a_clock_is_refused_by_clock_and_reset_and_waits_all_the_same(
    vectors: Path,
) -> None:
    with harness.open_chip(vectors, "dec138") as chip:
        with pytest.raises(ValueError, match="design dec138 has no signal on the chip's clock pin"):
            chip.clock()
        with pytest.raises(ValueError, match="design dec138 has no signal on the chip's reset pin"):
            chip.reset()
        now = chip.outputs()
        assert chip.wait(3, now) == 1


def test_a_bus_is_driven_until_it_is_released_and_a_released_one_shows_who_drives(
    vectors: Path,
) -> None:
    with harness.open_chip(vectors, "ram16x4") as chip:
        chip.set(oe_n=1, we=1, a=3)
        chip.set(dq=9)
        with pytest.raises(
            ValueError, match='"dq" is driven from here; release it first, with "F"'
        ):
            chip.read("dq")
        chip.clock()
        chip.set(dq="F", we=0)
        assert chip.floats("dq")
        with pytest.raises(PinsOpen, match="nothing drives them: the design released them, or"):
            chip.expect(dq="HHHH")
        chip.expect(dq="Z")
        with pytest.raises(ValueError, match='"dq": this drives the pins; to test them, write H'):
            chip.expect(dq="1111")
        chip.set(oe_n=0)
        chip.expect(dq=9)  # a number on what is not driven is expected


def test_what_was_done_by_hand_becomes_a_table_that_is_unconfirmed_until_its_author_says(
    vectors: Path,
) -> None:
    with harness.open_chip(vectors, "ctr163", reset_cycles=1) as chip:
        counting(chip)
        chip.clock(3)
        chip.expect(q=3)
        chip.clock()
        chip.outputs()
        chip.wait(12, rco="H")
        chip.set(enp=0)
        chip.read("rco")
        path = chip.record("hand.csv")
        with pytest.raises(InputError, match='table "hand" is already there'):
            chip.record("hand.csv")
        assert chip.record("hand", replace=True) == path == vectors / "ctr163" / "hand.csv"
    first, *lines = path.read_text("utf-8").splitlines()
    assert re.fullmatch(f"# Recorded by hand on its netlist, {DATE}.", first)
    assert lines == [
        "d,load_n,enp,ent,clk,clr_n,q,rco,repeat,label,note",
        "0000,1,1,1,0,1,,,,,",
        "0000,1,1,1,C,1,,,2,,",
        "0000,1,1,1,C,1,LLHH,,,,",
        "0000,1,1,1,C,1,LHLL,L,,,observed",
        "0000,1,1,1,C,1,,H,until 12,,",
        "0000,1,0,1,0,1,,H,,,observed",
    ]
    settings = (vectors / "ctr163" / "design.toml").read_text("utf-8")
    assert settings.endswith(
        '\n[tables.hand]\nfile = "hand.csv"\nunconfirmed = "observed on its netlist"\n'
        "reset_cycles = 1\n"
    )
    with harness.open_chip(vectors) as chip:
        outcome = chip.run_table("ctr163/hand")
    assert outcome.verdict is harness.Verdict.PASS
    assert outcome.summary == (
        "All tested outputs were as expected in 17 cycles. "
        "Its expected values are unconfirmed: observed on its netlist."
    )


def test_what_only_the_author_expected_needs_no_confirmation(vectors: Path) -> None:
    with harness.open_chip(vectors, "ctr163") as chip:
        counting(chip)
        chip.clock(3)
        chip.read("q")
        chip.expect(q=3)  # the same pins in the same cycle: now the author says so
        chip.record("told.csv")
    settings = (vectors / "ctr163" / "design.toml").read_text("utf-8")
    assert settings.endswith('\n[tables.told]\nfile = "told.csv"\nreset_cycles = 2\n')
    assert "observed" not in (vectors / "ctr163" / "told.csv").read_text("utf-8")


def test_a_virtual_chip_without_a_usable_netlist_is_an_error_before_any_step(
    vectors: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "vectors"
    shutil.copytree(vectors, folder)
    netlist = folder / "ctr163" / "netlist.json"
    netlist.write_text(netlist.read_text("utf-8").replace('"q"', '"queue"'), "utf-8")
    with pytest.raises(ModelMissing, match=r"ctr163/netlist\.json cannot be used: "):
        harness.open_chip(folder, "ctr163").__enter__()
    with harness.open_chip(folder) as chip:
        assert chip.run_table("ctr163/sequence").verdict is harness.Verdict.ERROR


def test_arguments_that_do_not_go_together() -> None:
    demo, rack = ROOT / "vectors", ROOT / "ci" / "demo-rack.toml"
    for wanted, arguments in [
        ("a board at a port needs profile=, the file of its board profile", {"port": "COM3"}),
        ("only a rack has slots; give the rack file", {"slot": "A1"}),
        ("a slot has its port, profile and chip from the rack file", {"slot": "A1", "chip": "1"}),
    ]:
        with pytest.raises(ValueError, match=wanted):
            harness.open_chip(demo, **arguments).__enter__()  # type: ignore[arg-type]
    with pytest.raises(ConfigError, match=r"Demo rack has several slots; use one of: A1, A2, A3"):
        harness.open_chip(rack).__enter__()
    with pytest.raises(ConfigError, match=r'no slot "B1" in Demo rack; use one of: A1, A2'):
        harness.open_chip(rack, slot="B1").__enter__()
