"""``harness grade``: what it prints and keeps, waived faults, and grades that are out of date."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import harness
from harness.cli import main
from harness.grade import kept_grade
from harness.rack import read_jobs
from harness.records import Coverage, DesignGrade, decode
from tests.unit.convert.imports import design_folder

MISSED = "$16 at the AND of $26 stuck at 1"
AT = f"    {MISSED}, from ei_n (prio148.v:4) to a_n (prio148.v:5)"
TOGGLES, CELLS = "toggle coverage 100.0 %", "  cells: AND, NAND, NOR, NOT, OR"
FOUND = "  134 faults: 133 detected, 1 undetected (1 proven untestable)"
DISTINCT = "  82 distinct faults: 81 detected, 1 undetected (1 proven untestable)"
PROVEN = "proven untestable: no table can notice it"
TABLE = "  function: 99.3 % in 531 vectors, the last that detects any is 28"
LIST = "  Distinct faults that these tables would not notice:"


@pytest.fixture
def vectors(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The demo shuttle with one design, which has one table and no grade."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return ungraded(tmp_path)


def ungraded(tmp_path: Path) -> Path:
    folder = tmp_path / "vectors"
    folder.mkdir()
    design_folder("prio148", folder)
    (folder / "prio148" / "grade.json").unlink(missing_ok=True)
    return folder


def said(
    vectors: Path, capsys: pytest.CaptureFixture[str], *arguments: str
) -> tuple[int, list[str]]:
    code = main(["grade", "--shuttle", str(vectors / "shuttle.toml"), *arguments])
    return code, capsys.readouterr().out.replace(f"{vectors}/", "").splitlines()


def waive(vectors: Path, fault: str) -> None:
    with (vectors / "shuttle.toml").open("a", encoding="utf-8") as file:
        file.write(
            f'[[waiver]]\ndesign = "prio148"\nfault = "{fault}"\nowner = "Wilma Dunlin"\n'
            'reason = "redundant"\nticket = "LT-12"\nexpiry = 2099-01-31\n'
        )


def checked(vectors: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    main(["check", str(vectors / "shuttle.toml")])
    out = capsys.readouterr()
    lines = (out.out + out.err).replace(f"{vectors}/", "").splitlines()
    return [line for line in lines if "grade" in line]


def coverage(vectors: Path) -> Coverage | None:
    shuttle = harness.load_shuttle(vectors / "shuttle.toml")
    ((job,), _) = read_jobs(shuttle, [(shuttle.designs[0], shuttle.designs[0].tables[0])])
    return job.rehearsal.coverage


def test_a_design_is_graded_and_the_grade_kept(
    vectors: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, lines = said(vectors, capsys)
    assert code == 0
    assert lines == [
        f"prio148: fault coverage 99.3 % (stuck-at), test coverage 100.0 %, {TOGGLES}",
        FOUND,
        DISTINCT,
        CELLS,
        TABLE,
        LIST,
        f"{AT}: {PROVEN}",
        "1 design graded, 1 kept",
    ]
    grade = kept_grade(vectors / "prio148")
    assert grade is not None
    assert grade.count.detected == 133
    cells = ("AND", "NAND", "NOR", "NOT", "OR")
    assert coverage(vectors) == Coverage(133 / 134, 133 / 134, cells)


def test_single_tables_are_graded_and_nothing_is_kept(
    vectors: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, lines = said(vectors, capsys, "prio148/function")
    assert (code, lines[-1]) == (0, "1 design graded")
    assert kept_grade(vectors / "prio148") is None
    assert coverage(vectors) is None


def test_a_waived_fault_stays_undetected_and_leaves_the_test_coverage(
    vectors: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.grade.proof.available", lambda: False)
    waive(vectors, MISSED)
    waive(vectors, "ei_n stuck at 0")
    code, lines = said(vectors, capsys)
    assert code == 0
    assert lines == [
        f"prio148: fault coverage 99.3 % (stuck-at), test coverage 100.0 %, {TOGGLES}",
        FOUND.replace("proven untestable", "waived"),
        DISTINCT.replace("proven untestable", "waived"),
        CELLS,
        "  untestable faults: not looked for: that needs pip install 'harness[proof]'",
        TABLE,
        LIST,
        f"{AT}: waived by Wilma Dunlin: redundant",
        (
            'shuttle.toml: warning [waiver-not-needed] prio148 has no undetected fault "ei_n stuck '
            'at 0"; remove the waiver, or correct the name of the fault'
        ),
        "1 design graded, 1 kept",
    ]


def test_a_waiver_of_an_untestable_fault_is_shown_beside_the_proof(
    vectors: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    waive(vectors, MISSED)
    assert said(vectors, capsys)[1][1:] == [
        FOUND,
        DISTINCT,
        CELLS,
        TABLE,
        LIST,
        f"{AT}: proven untestable; waived by Wilma Dunlin: redundant",
        "1 design graded, 1 kept",
    ]


def test_a_grade_of_another_table_is_out_of_date_and_not_shown(
    vectors: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said(vectors, capsys)
    assert checked(vectors, capsys) == []
    table = vectors / "prio148" / "function.csv"
    table.write_text(table.read_text("utf-8") + "# no row\n", "utf-8")
    assert checked(vectors, capsys) == []
    rows = [line for line in table.read_text("utf-8").splitlines() if not line.startswith("#")]
    table.write_text("\n".join(rows[:20]) + "\n", "utf-8")
    assert checked(vectors, capsys) == [
        (
            "prio148/grade.json: warning [stale-grade] this grade is out of date: table function "
            "changed since it was made; grade the tables again: harness grade prio148 --shuttle "
            f"{vectors}"
        )
    ]
    assert coverage(vectors) is None


@pytest.mark.parametrize("text", ["", "{", "[" * 100_000, "5", "{}", '{"design": NaN}'])
def test_a_file_that_is_no_grade_is_none(text: str, tmp_path: Path) -> None:
    (tmp_path / "grade.json").write_text(text, "utf-8")
    assert kept_grade(tmp_path) is None


def test_a_grade_without_a_table_that_fails_is_not_kept(
    vectors: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said(vectors, capsys)
    before = kept_grade(vectors / "prio148")
    table = vectors / "prio148" / "function.csv"
    text = table.read_text("utf-8")
    table.write_text(text.replace("H", "L", 1), "utf-8")
    code, lines = said(vectors, capsys)
    assert (code, lines[-1]) == (3, "1 design graded")
    assert kept_grade(vectors / "prio148") == before
    assert len(checked(vectors, capsys)) == 1, "the kept grade is of the table before"


@pytest.mark.nightly
def test_a_grade_on_simple_gates_says_so_and_is_not_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the usual cache: in an empty one Yosys is compiled again, for minutes."""
    vectors = ungraded(tmp_path)
    code, lines = said(vectors, capsys, "--cells", "simple")
    prepared = "prio148.v brought to simple gates by Yosys; not the netlist that virtual chips run"
    assert (code, lines[-1]) == (0, "1 design graded")
    assert f"  {prepared}" in lines
    assert kept_grade(vectors / "prio148") is None
    _, (line,) = said(vectors, capsys, "--cells", "simple", "--json")
    assert decode(DesignGrade, json.loads(line), "line").prepared == prepared


@pytest.mark.nightly
def test_a_table_that_needs_a_reset_without_a_clock_is_not_graded_on_simple_gates(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = design_folder("crc16", tmp_path)
    table = folder / "check.csv"
    lines = table.read_text("utf-8").splitlines()
    (reset,) = (k for k, line in enumerate(lines) if "reset needs no clock" in line)
    held = "0,1,0,0,0,1,0xFF,L,,and it stays,"
    table.write_text("\n".join([*lines[: reset + 1], held]) + "\n", "utf-8")
    assert said(tmp_path, capsys, "crc16/check")[0] == 0
    code, (_, *shown) = said(tmp_path, capsys, "crc16/check", "--cells", "simple")
    assert code == 3
    assert (
        "  check: not graded: it fails on the simple gates: there a set or reset needs a clock"
        in shown
    )


def test_a_design_without_netlist_is_not_graded(
    vectors: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    design = vectors / "prio148" / "design.toml"
    design.write_text(design.read_text("utf-8").replace('netlist = "netlist.json"\n', ""), "utf-8")
    code, lines = said(vectors, capsys)
    assert code == 3
    assert lines == [
        (
            "prio148: not graded: the design has no netlist: make it with `harness netlist prio148`"
            " (needs pip install 'harness[synthesis]')"
        ),
        "0 designs graded",
    ]


def test_the_page_has_figure_cells_curve_and_gaps(
    vectors: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, lines = said(vectors, capsys, "--page", str(tmp_path / "out"))
    assert (code, lines[-1]) == (0, f"page: {tmp_path / 'out' / 'grade.html'}")
    page = (tmp_path / "out" / "grade.html").read_text("utf-8")
    for words in (
        "prio148: fault coverage 99.3 % (stuck-at)",
        "AND, NAND, NOR, NOT, OR",
        "Rises to 99.3 % by vector 28.",
        "From ei_n (prio148.v:4) to a_n (prio148.v:5)",
        PROVEN,
    ):
        assert words in page


def test_json_is_the_grade_that_is_kept(vectors: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, (line,) = said(vectors, capsys, "--json")
    assert code == 0
    assert decode(DesignGrade, json.loads(line), "line") == kept_grade(vectors / "prio148")
