"""``harness compact``: what it prints, the table that it writes, and what it refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.cli import main
from tests.unit.convert.imports import design_folder


@pytest.fixture
def vectors(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The demo shuttle with one design, dec138, which has one table and no flip-flop."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    folder = tmp_path / "vectors"
    folder.mkdir()
    return folder


def said(
    folder: Path, capsys: pytest.CaptureFixture[str], *arguments: str
) -> tuple[int, list[str], str]:
    """Exit code, lines of output, and the last line of what went wrong."""
    code = main(["compact", *arguments, "--shuttle", str(folder / "shuttle.toml")])
    out, err = (text.replace(f"{folder}/", "") for text in capsys.readouterr())
    return code, out.splitlines(), (err.splitlines() or [""])[-1]


def test_a_short_table_is_written_and_rehearsed(
    vectors: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    design = design_folder("crc16", vectors)
    code, lines, _ = said(vectors, capsys, "crc16", "check")
    assert code == 0
    assert lines == [
        "before: 126 vectors, 147 cycles, 2.94 ms, fault coverage 88.7 % (stuck-at)",
        "after:  116 vectors, 136 cycles, 2.72 ms, fault coverage 88.7 % (stuck-at)",
        "  check: lines 2 to 116",
        "For intake, set intake = true in [tables.short] of design.toml.",
        "Wrote crc16/short.csv",
        "crc16/short: passes on the design's netlist",
        f"Next: harness grade crc16 --shuttle {vectors}",
    ]
    made = (design / "short.csv").read_text("utf-8").splitlines()
    own = (design / "check.csv").read_text("utf-8").splitlines()
    assert made[:4] == [
        "# made by harness compact",
        own[0],
        "C,0,0,0,0,0,,,2,,the reset before check.csv",
        own[1].rpartition(",")[0] + ',"check.csv, line 2"',
    ]
    cells = [[line.split(",")[:10] for line in lines] for lines in (made[4:], own[2:116])]
    assert cells[0] == cells[1]
    assert said(vectors, capsys, "crc16")[2] == (
        'harness: crc16/short.csv: error [table-exists] table "short" is already there; choose '
        "another name, or ask for the table to be replaced"
    )


def test_single_rows_are_kept_of_a_design_without_flip_flops(
    vectors: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    design_folder("dec138", vectors)
    code, lines, _ = said(vectors, capsys, "dec138", "--table", "quick")
    assert (code, lines[:2]) == (
        0,
        [
            "before: 75 vectors, 75 cycles, 1.5 ms, fault coverage 100.0 % (stuck-at)",
            "after:  11 vectors, 11 cycles, 0.22 ms, fault coverage 100.0 % (stuck-at)",
        ],
    )


def test_without_a_netlist_there_is_nothing_to_keep(
    vectors: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    design_folder("dec138", vectors, netlist=False)
    code, _, error = said(vectors, capsys, "dec138")
    assert code == 2
    assert error == (
        'harness: dec138/design.toml: error [no-netlist] design "dec138" has no netlist, so '
        "its tables cannot be graded; make it with `harness netlist dec138` (needs pip install "
        "'harness[synthesis]')"
    )
