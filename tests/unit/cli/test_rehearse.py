"""``harness rehearse``: what it prints, and what its exit status means."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from harness.cli import main
from tests.unit.convert.imports import design_folder

GOOD = (
    "clk,a,we,oe_n,dq\n"
    + "".join(f"C,0x{a},1,1,0001\n" for a in (0, 1, 2, 4, 8))
    + ("0,0x0,0,1,ZZZZ\n0,0x0,0,0,LLLH\n")
)


@pytest.fixture
def vectors(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The demo shuttle with one design, which has one table."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    folder = tmp_path / "vectors"
    folder.mkdir()
    design_folder("ram16x4", folder)
    design = folder / "ram16x4" / "design.toml"
    whole = design.read_text("utf-8")
    design.write_text(whole[: whole.index("[tables.march]")], "utf-8")
    return folder


def said(vectors: Path, table: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, list[str]]:
    """Rehearse the shuttle with this table: exit status, and lines without the folder."""
    (vectors / "ram16x4" / "bus.csv").write_text(table, "utf-8")
    code = main(["rehearse", "--shuttle", str(vectors)])
    return code, capsys.readouterr().out.replace(f"{vectors}/", "").splitlines()


def test_a_table_that_passes(vectors: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert said(vectors, GOOD, capsys) == (0, ["1 table: 1 pass"])


def test_a_table_that_fails(vectors: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, lines = said(vectors, GOOD + "0,0x0,0,0,LLHH\n", capsys)
    assert code == 1
    assert lines == [
        (
            "ram16x4/bus.csv:9: error [rehearsal-fails] dq[3:0] expected 0x3, observed 0x1, "
            "differs 0x2 on the design's netlist, in cycle 7; 1 wrong cycle; correct the table, or "
            "the design if the table is right; it passes if this row alone expects dq[3:0] = 0x1"
        ),
        "1 table: 1 fail",
    ]


def test_a_table_that_no_board_may_run(vectors: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, lines = said(vectors, GOOD + "0,0x0,0,0,LLL1\n", capsys)
    assert code == 1
    assert lines == [
        (
            "ram16x4/bus.csv:9: error [contention] controller and chip both drive dq[0] (pin io0); "
            'release the pin in these rows, or write contention = "intended" in design.toml'
        ),
        "1 table: 1 pass, 1 refused for contention",
    ]


def test_contention_that_is_intended(vectors: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with (vectors / "ram16x4" / "design.toml").open("a", encoding="utf-8") as stream:
        stream.write('contention = "intended"\n')
    code, lines = said(vectors, GOOD + "0,0x0,0,0,LLL1\n", capsys)
    assert code == 0
    assert lines == [
        (
            "ram16x4/bus.csv:9: warning [contention] controller and chip both drive dq[0] (pin "
            "io0); nothing, if two drivers may fight: design.toml says so"
        ),
        "1 table: 1 pass",
    ]


def test_a_design_without_a_netlist_is_a_note(
    vectors: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    design = vectors / "ram16x4" / "design.toml"
    text = design.read_text("utf-8").replace('netlist = "netlist.json"\n', "")
    design.write_text(text, "utf-8")
    lines = [
        (
            "ram16x4/bus: not rehearsed: the design has no netlist; make it with `harness netlist "
            "ram16x4` (needs pip install 'harness[synthesis]')"
        ),
        "1 table: 1 not rehearsed",
    ]
    assert said(vectors, GOOD, capsys) == (0, lines)


def test_a_netlist_that_cannot_be_used(vectors: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (vectors / "ram16x4" / "netlist.json").write_text(json.dumps({}), "utf-8")
    assert said(vectors, GOOD, capsys) == (
        3,
        [
            "ram16x4/bus: not rehearsed: its netlist cannot be used; `harness check` says why",
            "1 table: 1 not rehearsed",
        ],
    )


def test_a_name_that_matches_no_table(vectors: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", "ram16x4/bus", "rom", "--shuttle", str(vectors)]) == 2
    assert capsys.readouterr().err == (
        f"harness: {vectors}/shuttle.toml: error [unknown-design] no design of Sandpiper 2 matches "
        '"rom"; use one of: ram16x4\n'
    )
    assert main(["rehearse", "ram*", "--shuttle", str(vectors)]) == 0
