"""``harness wave``: a table as a dump and as a drawing, before anything runs."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from lxml import etree
from vcdvcd import VCDVCD

from harness.cli import main
from tests.unit.cli.test_rehearse import vectors  # noqa: F401 - a fixture

SVG = "{http://www.w3.org/2000/svg}"
ROWS = """\
clk,a,we,oe_n,dq,repeat,label
C,0x3,1,1,0101,,two <words>
0,0x3,0,0,LHXH,3,
0,0x3,0,1,ZXXX,until 9,
0,0x3,0,1,XXXX,,
"""


@pytest.fixture
def place(vectors: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:  # noqa: F811
    """The current folder, with the shuttle ``vectors`` in it, which has one table."""
    monkeypatch.chdir(tmp_path)
    (vectors / "ram16x4/bus.csv").write_text(ROWS.replace("ZXXX", "LXXX"), "utf-8")
    return tmp_path


def test_both_forms_are_written_unless_one_is_asked_for(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["wave", "vectors/ram16x4/bus.csv"]) == 0
    assert capsys.readouterr().out == "Wrote ram16x4_bus.vcd\nWrote ram16x4_bus.svg\n"
    assert main(["wave", "ram16x4/bus", "--shuttle", "vectors", "-o", "only.SVG"]) == 0
    assert capsys.readouterr().out == "Wrote only.SVG\n"
    assert main(["wave", "ram16x4/bus", "--shuttle", "vectors", "-o", "only.png"]) == 2
    assert "--out must end in .vcd or .svg" in capsys.readouterr().err
    assert sorted(path.name for path in place.glob("*.*")) == [
        "only.SVG", "ram16x4_bus.svg", "ram16x4_bus.vcd",
    ]  # fmt: skip


def test_the_dump_has_every_cycle_of_what_is_driven_and_expected(place: Path) -> None:
    assert main(["wave", "vectors/ram16x4/bus.csv", "-o", "t.vcd"]) == 0
    dump = VCDVCD("t.vcd")
    cycle = 20_000  # nanoseconds, at 50 kHz

    def levels(name: str) -> list[str]:
        return [dump[f"ram16x4_bus.{name}"][cycle * k + cycle // 8] for k in range(5)]

    assert dump["ram16x4_bus.driven.clk"].tv[:3] == [(0, "0"), (5000, "1"), (15000, "0")]
    assert levels("driven.in0") == ["1"] * 5
    assert levels("driven.io2") == ["1", "z", "z", "z", "z"]
    assert levels("expected.io2") == ["x", "1", "1", "1", "x"]
    assert levels("expected.io3") == ["x", "0", "0", "0", "0"]
    assert [int(level, 2) for level in levels("table.line")] == [2, 3, 3, 3, 4]
    assert "\nstwo_<words> " in Path("t.vcd").read_text("ascii")


def test_the_drawing_has_every_row_once_with_its_first_cycle_and_its_label(place: Path) -> None:
    assert main(["wave", "vectors/ram16x4/bus.csv", "-o", "t.svg"]) == 0
    tree = etree.parse("t.svg").getroot()

    def texts(kind: str) -> list[str]:
        return [e.text for e in tree.iter(f"{SVG}text") if kind in e.get("class").split()]

    assert texts("head") == [
        "ram16x4 / bus",
        "No reset before the first row.",
        "Held throughout: a[3:0] at 0x3.",
    ]
    assert texts("t-num") == [
        "0",
        "1",
        "4",
        "5",
        "2",
        "3",
        "4",
        "5",
    ]  # cycles, then lines of the table
    assert texts("t-lab") == ["two <words>", "×3", "until 9"]


def test_the_drawing_needs_no_style_but_its_own(place: Path) -> None:
    assert main(["wave", "vectors/ram16x4/bus.csv", "-o", "t.svg"]) == 0
    tree: Any = etree.parse("t.svg").getroot()
    style = tree.findtext(f"{SVG}style")
    used = {name for e in tree.iter() for name in (e.get("class") or "").split()}
    assert all(re.search(rf"\.{name}\b", style) for name in used)
    assert "var(" not in style


def test_what_is_left_out_is_said(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = "clk,dq,repeat\n" + "C,LLLL,\n" * 400 + "C,LLLL,20000\n"
    (place / "vectors/ram16x4/bus.csv").write_text(rows, "utf-8")
    assert main(["wave", "vectors/ram16x4/bus.csv"]) == 0
    assert capsys.readouterr().out == (
        "Wrote ram16x4_bus.vcd. The first 20,000 of 20,400 cycles are shown\n"
        "Wrote ram16x4_bus.svg. The first 360 of 401 rows are shown\n"
    )
