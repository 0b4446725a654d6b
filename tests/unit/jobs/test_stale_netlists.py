"""A netlist that is older than its Verilog: noticed by every command that uses it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

import harness
from harness.cli import main
from harness.errors import Cancelled
from harness.netlist import changed_sources
from harness.rack import Rack, RackNews, Slot, StopSwitch
from tests.system.virtual import profile
from tests.unit.convert.imports import design_folder

STALE = (
    "prio148/netlist.json: warning [stale-netlist] the Verilog has changed since this netlist was "
    "made from it: prio148.v; make it again: harness netlist prio148"
)
NEWS = re.compile("the first time|^reading tables, |^rehearsing ")
Screen = pytest.CaptureFixture[str]


@pytest.fixture
def design(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A demo design without a grade, whose Verilog was edited; one stands in its shuttle."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.chdir(tmp_path)
    folder = design_folder("prio148", tmp_path.resolve())
    (folder / "grade.json").unlink()
    with (folder / "prio148.v").open("a", encoding="utf-8") as file:
        file.write("// mended\n")
    return folder


def said(capsys: Screen, *words: str) -> tuple[int, list[str]]:
    """Exit status, and lines without the news of a slow computer that it takes a while."""
    code = main(words)
    lines = [line for text in capsys.readouterr() for line in text.splitlines()]
    return code, [line for line in lines if not NEWS.search(line)]


def test_check_warns_of_it_with_the_command_that_mends_it(design: Path, capsys: Screen) -> None:
    assert said(capsys, "check", ".") == (0, [STALE, "0 errors, 1 warning"])


def test_a_rehearsal_says_it_once_for_all_tables(design: Path, capsys: Screen) -> None:
    with (design / "design.toml").open("a", encoding="utf-8") as file:
        file.write('\n[tables.again]\nfile = "function.csv"\n')
    assert said(capsys, "rehearse") == (0, [STALE, "2 tables: 2 pass"])


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_a_grade_says_it(form: tuple[str, ...], design: Path, capsys: Screen) -> None:
    code, lines = said(capsys, "grade", *form)
    assert code == 0
    assert STALE in lines


def test_a_chip_in_the_hand_says_it_when_the_design_is_selected(design: Path) -> None:
    with harness.open_chip(design.parent) as chip, pytest.warns(match="stale") as noted:
        chip.select("prio148")
    assert [str(one.message) for one in noted] == [STALE]
    assert noted[0].filename == __file__


def test_a_run_says_it(design: Path) -> None:
    shuttle = harness.load_shuttle(design.parent)
    away = Slot("A1", str(design / "no-port"), "", "SP2-0001")
    news: list[str] = []

    def observe(event: harness.Event) -> None:
        if isinstance(event, RackNews):
            news.append(event.text)

    rack = Rack("bench", shuttle, profile(), (away,))
    stop = StopSwitch()
    stop.stop()  # no board is needed to read the files
    with pytest.raises(Cancelled):
        harness.run(rack, str(design / "results.sqlite"), observe=observe, stop=stop)
    assert STALE in news


def test_the_digests_are_those_of_the_verilog_today(design: Path) -> None:
    netlist, verilog = design / "netlist.json", [design / "prio148.v"]
    assert changed_sources(netlist, verilog) == ("prio148.v",)
    verilog[0].write_text(verilog[0].read_text("utf-8").removesuffix("// mended\n"), "utf-8")
    assert changed_sources(netlist, verilog) == ()
    (design / "more.v").write_text("", "utf-8")
    assert changed_sources(netlist, [*verilog, design / "more.v"]) == ("more.v",)
    assert changed_sources(netlist, []) == ()


@pytest.mark.parametrize("sources", [None, [], 5, "prio148.v"])
def test_a_netlist_that_was_made_elsewhere_is_accepted(
    sources: object, design: Path, capsys: Screen
) -> None:
    whole = json.loads((design / "netlist.json").read_text("utf-8"))
    whole.pop("sources")
    if sources is not None:
        whole["sources"] = sources
    (design / "netlist.json").write_text(json.dumps(whole) + "\n", "utf-8")
    assert said(capsys, "check", ".") == (0, ["0 errors, 0 warnings"])


@pytest.mark.parametrize("text", ["", "{", "[]", "[" * 100_000, "\udcff"])
def test_a_file_that_is_no_netlist_says_nothing_of_its_sources(text: str, design: Path) -> None:
    (design / "netlist.json").write_bytes(text.encode("utf-8", "surrogateescape"))
    assert changed_sources(design / "netlist.json", [design / "prio148.v"]) == ()


def test_what_a_stranger_wrote_as_a_name_is_one_line_and_cut(design: Path, capsys: Screen) -> None:
    whole = json.loads((design / "netlist.json").read_text("utf-8"))
    whole["sources"] |= {f"{k}\n; rm -r .{'x' * 999}": "" for k in range(9)}
    (design / "netlist.json").write_text(json.dumps(whole) + "\n", "utf-8")
    code, (first, last) = said(capsys, "check", ".")
    assert (code, last) == (0, "0 errors, 1 warning")
    names = ", ".join(f"{k}\\n; rm -r .{'x' * 189}" for k in range(3))
    assert first == STALE.replace("prio148.v;", f"{names} and 7 more;")
