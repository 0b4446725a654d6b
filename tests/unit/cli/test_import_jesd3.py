"""``harness import`` of a JEDEC file: the pins are shown, the table is written and replayed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from harness.cli import main
from harness.convert.jesd3_frame import framed
from harness.shuttle import load_shuttle
from harness.table import load_table

ROOT = Path(__file__).parents[3]
Screen = pytest.CaptureFixture[str]
DECODER = b"""\
3-to-8 decoder in its package*
N by hand*
QP16*X0*F0*L000 0101*
V1 000001HNHHHHHHLN*
N Y5*
V2 101001HNHLHHHHHN*
V3 101001HNHLHHHHHN*
V5 101XX1HNHLHHHHHN*
"""
"""Pins of the SN74LS138, so 8 and 16 are supplies."""
PINS = ["sel=3..1", "g2a_n=4", "g2b_n=5", "g1=6", "y_n=7,9..15"]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The demo shuttle's comparator, and a folder for the cache of rehearsals."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    shutil.copytree(ROOT / "vectors", tmp_path / "vectors")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_table_comes_back_and_passes_on_the_netlist(folder: Path, capsys: Screen) -> None:
    assert main(["export", "vectors/ctr163/sequence", "--format", "jesd3", "-o", "a.jed"]) == 0
    pins = capsys.readouterr().out.splitlines()[:-1]
    arguments = ["import", "a.jed", "--design", "vectors/ctr163", "--table", "back", "--yes"]
    assert main(arguments) == 0
    assert capsys.readouterr().out.splitlines() == [
        *pins,
        "vectors/ctr163/back.csv: 56 rows",
        "replayed on the netlist: every row agrees",
        "Next: harness grade ctr163 --shuttle vectors",
    ]
    shuttle = load_shuttle(folder / "vectors" / "shuttle.toml")
    design = shuttle.designs_by_name["ctr163"]
    (spec,) = (spec for spec in design.tables if spec.name == "back")
    assert spec.reset_cycles == 0
    table = load_table(spec, design, shuttle)
    assert table.cycles == 171
    assert list(table.labels.values())[:2] == ["reset", "after reset"]
    head = spec.path.read_text("utf-8").splitlines()
    assert head[0].startswith("# from a.jed: Sandpiper 2: table sequence of design ctr163")
    assert head[1].startswith("d,load_n,")
    assert main(arguments) == 2
    assert "is already there" in capsys.readouterr().err


def decoder(folder: Path, *options: str, fields: bytes = DECODER) -> int:
    """Import a file for the decoder of the demo."""
    (folder / "b.jed").write_bytes(framed(fields))
    return main(["import", "b.jed", "--design", "vectors/dec138", "--yes", *options])


def test_the_pins_of_a_package_are_mapped_and_what_is_left_out_is_told(
    folder: Path, capsys: Screen
) -> None:
    assert decoder(folder, *(word for text in PINS for word in ("--map", text))) == 0
    assert capsys.readouterr().out.splitlines() == [
        "sel    pin 3, 2, 1",
        "g1     pin 6",
        "g2a_n  pin 4",
        "g2b_n  pin 5",
        "y_n    pin 7, 9, 10, 11, 12, 13, 14, 15",
        "vectors/dec138/b.csv: 2 rows",
        "note: left out: 1 field F (default fuse state), 1 field L (fuse list)",
        (
            "b.jed:8:1: warning [jesd3-gap] vector 4 is missing: vector 5 follows at once; "
            "check that none was lost"
        ),
        (
            "vectors/dec138/b.csv: warning [still-input] no row moves sel[1] (pin in1), g2b_n (pin "
            "in3), g2a_n (pin in4), g1 (pin in5); add rows that do, or leave it if another table "
            "does"
        ),
        "replayed on the netlist: every row agrees",
        "Next: harness grade dec138 --shuttle vectors",
    ]
    assert (folder / "vectors/dec138/b.csv").read_text("utf-8") == (
        "# from b.jed: 3-to-8 decoder in its package\n"
        "# left out: 1 field F (default fuse state), 1 field L (fuse list)\n"
        "# by hand\n"
        "sel,g1,g2a_n,g2b_n,y_n,repeat,label,note\n"
        "000,1,0,0,0xFE,,,\n"
        "101,1,0,0,0xDF,3,Y5,\n"
    )


def test_a_wrong_expectation_is_found_by_the_replay(folder: Path, capsys: Screen) -> None:
    wrong = DECODER.replace(b"V1 000001HNHHHHHHLN", b"V1 000001LNHHHHHHLN")
    maps = (word for text in PINS for word in ("--map", text))
    assert decoder(folder, *maps, fields=wrong) == 1
    assert "replayed on the netlist: it disagrees" in capsys.readouterr().out


def test_pins_without_names_and_options_of_dumps_are_refused(folder: Path, capsys: Screen) -> None:
    assert decoder(folder, "--map", "y_n=7,9..15") == 2
    assert capsys.readouterr().err == (
        "harness: b.jed: error [pin-without-name] pins that are driven or tested have no name: "
        "1, 2, 3, 4, 5, 6; name each with --map SIGNAL=NUMBER, or leave it out with -=NUMBER\n"
    )
    assert decoder(folder, "--scope", "tb") == 2
    assert capsys.readouterr().err == (
        "harness: b.jed: error [not-for-jesd3] a JEDEC file has no scope, no clock and no edges to "
        "choose; give --map and no such option\n"
    )
    assert not (folder / "vectors/dec138/b.csv").exists()
