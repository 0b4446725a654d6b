"""``harness strengthen``: rows for what a table misses, which count once they are confirmed."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.cli import main
from tests.unit.convert.imports import design_folder

ROWS = 12
"""Rows that the weak table keeps of its own."""


def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, table: str) -> Path:
    """The demo shuttle with one design, whose table is cut to its first rows."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    vectors = tmp_path / "vectors"
    vectors.mkdir()
    design_folder(name, vectors)
    path = vectors / name / f"{table}.csv"
    lines = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]
    path.write_text("\n".join(lines[: ROWS + 1]) + "\n", "utf-8")
    return vectors


def said(
    vectors: Path, capsys: pytest.CaptureFixture[str], command: str, *arguments: str
) -> tuple[int, list[str]]:
    code = main([command, *arguments, "--shuttle", str(vectors / "shuttle.toml")])
    return code, capsys.readouterr().out.replace(f"{vectors}/", "").splitlines()


def coverage(percent: str) -> str:
    return f"fault coverage {percent} % (stuck-at), test coverage {percent} %"


@pytest.fixture(autouse=True)
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw less, so that more is left for the search, and the tests are quick."""
    monkeypatch.setattr("harness.grade.proposal.CANDIDATES", 2)
    monkeypatch.setattr("harness.grade.proposal.LENGTHS", (16,))


@pytest.fixture
def weak(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return folder(tmp_path, monkeypatch, "crc16", "check")


@pytest.mark.nightly
def test_the_rows_count_once_their_author_has_confirmed_them(
    weak: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    design = weak / "crc16" / "design.toml"
    text = design.read_text("utf-8")
    stream = text.index("[tables.stream]")
    design.write_text(text[:stream], "utf-8")
    code, lines = said(weak, capsys, "strengthen", "crc16/check", "--rows", "70")
    assert code == 0
    assert lines[0] == f"before: {coverage('65.7')}, 314 detected, 164 undetected"
    (after,) = (line for line in lines if line.startswith("after:  "))
    detected = int(after.split(", ")[2].split()[0])
    assert detected > 400
    assert lines[1].startswith("  lines 3 to ")
    assert ", random: 65.7 % → " in lines[1]
    assert any(", for rem[" in line for line in lines)
    assert lines[-4:-1] == [
        (
            "Compare the rows with the specification, then remove `unconfirmed` from "
            "[tables.check_more] of design.toml: only then do they count."
        ),
        "Wrote crc16/check_more.csv",
        "crc16/check_more: passes on the design's netlist",
    ]
    assert lines[-1].startswith("Next: harness grade crc16")
    table = (weak / "crc16" / "check_more.csv").read_text("utf-8")
    assert table.startswith(
        "# computed from the netlist by harness strengthen: compare it with the specification\n"
    )
    mark = 'unconfirmed = "computed from the netlist"\n'
    assert "314 detected" in " ".join(said(weak, capsys, "grade", "crc16")[1])
    design.write_text(design.read_text("utf-8").replace(mark, ""), "utf-8")
    assert f"{detected} detected" in " ".join(said(weak, capsys, "grade", "crc16")[1])


def test_the_same_seed_gives_the_same_table_and_an_old_one_is_kept_unless_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    vectors = folder(tmp_path, monkeypatch, "cmp85", "directed")
    command = ("strengthen", "cmp85/directed", "--shuttle", str(vectors / "shuttle.toml"))
    table = vectors / "cmp85" / "directed_more.csv"
    assert main(command) == 0
    first = table.read_bytes()
    capsys.readouterr()
    assert main(command) == 2
    assert capsys.readouterr().err.replace(f"{vectors}/", "") == (
        'harness: cmp85/directed_more.csv: error [table-exists] table "directed_more" is already '
        "there; choose another name, or ask for the table to be replaced\n"
    )
    assert main([*command, "--replace"]) == 0
    assert table.read_bytes() == first


def test_without_the_solver_only_random_rows_are_tried(
    weak: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.grade.proof.available", lambda: False)
    lines = said(weak, capsys, "strengthen", "crc16/check", "--rows", "1")[1]
    left = "faults left: not looked for: that needs pip install 'harness[proof]'"
    assert any(line.endswith(left) for line in lines)


def test_a_design_without_a_reset_goes_on_from_its_table_and_drives_no_pin_that_it_drives(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    vectors = folder(tmp_path, monkeypatch, "ram16x4", "bus")
    code, lines = said(vectors, capsys, "strengthen", "ram16x4/bus", "--rows", "20")
    assert code == 0
    assert "The new table begins with the rows of bus, which has no reset." in lines
    assert "ram16x4/bus_more: passes on the design's netlist" in lines
    rows = (vectors / "ram16x4" / "bus_more.csv").read_text("utf-8").splitlines()[2:]
    assert len(rows) > ROWS
    groups = [line.split() for line in lines if line.startswith("  line")]
    assert int(groups[0][1].strip(",")) == 3 + ROWS
    for _, first, *_ in groups:
        assert rows[int(first.strip(",")) - 3].endswith((",random,", ",random"))
    cells = [row.split(",") for row in rows[ROWS:]]
    assert any(set("".join(row)) & set("HL") for row in cells)


def test_nothing_is_written_for_a_table_that_notices_all(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    vectors = tmp_path / "vectors"
    vectors.mkdir()
    design_folder("prio148", vectors)
    assert said(vectors, capsys, "strengthen", "prio148") == (
        0,
        [
            *(
                f"{when} fault coverage 99.3 % (stuck-at), test coverage 100.0 %, 133 detected, 1 "
                "undetected (1 proven untestable)"
                for when in ("before:", "after: ")
            ),
            "Nothing is written: no row was found that detects more.",
        ],
    )
