"""Checking files of every kind, and folders."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from harness.jobs.check import check
from tests.unit.shuttle.bench import DESIGN, SHUTTLE, write_files

ROOT = Path(__file__).parents[3]


def rules(*paths: Path) -> list[str]:
    return [found.rule for found in check(paths)]


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """Copy one design of the demo shuttle with the demo board and rack."""
    (tmp_path / "vectors").mkdir()
    text = (ROOT / "vectors" / "shuttle.toml").read_text("utf-8")
    start, stop = text.index("designs = ["), text.index("]\n\n[pins]")
    (tmp_path / "vectors" / "shuttle.toml").write_text(
        text[:start] + 'designs = ["crc16"' + text[stop:], "utf-8"
    )
    shutil.copytree(ROOT / "vectors" / "crc16", tmp_path / "vectors" / "crc16")
    (tmp_path / "ci").mkdir()
    for name in ("wader.toml", "demo-rack.toml"):
        shutil.copy(ROOT / "ci" / name, tmp_path / "ci" / name)
    return tmp_path


def test_the_demo_is_free_of_findings(copy: Path) -> None:
    assert rules(copy) == []
    assert rules(copy / "ci" / "wader.toml", copy / "ci" / "demo-rack.toml") == []
    assert rules(copy / "vectors" / "crc16" / "design.toml") == []
    assert rules(copy / "vectors" / "crc16" / "check.csv") == []


def test_a_rack_has_the_warnings_about_its_profile(copy: Path) -> None:
    for name, old, new in (
        ("vectors/shuttle.toml", '["seld", "selc"]', '["seld", "selc", "sele"]'),
        ("ci/wader.toml", "[pins]", "[pins]\nsele = 23"),
    ):
        text = (copy / name).read_text("utf-8")
        assert old in text
        (copy / name).write_text(text.replace(old, new), "utf-8")
    rack, profile = copy / "ci" / "demo-rack.toml", copy / "ci" / "wader.toml"
    warning = (
        f'{profile}:45:2: warning [select-pin-unused] select pin "sele" is unused and will be held '
        "low; check the method, or the shuttle's list of select pins"
    )
    for files in ([rack], [profile, rack]):
        found = [str(one) for one in check(files) if one.location.path == profile]
        assert found == [warning]


def test_a_fault_in_each_kind_of_file_is_found_from_the_top_folder(copy: Path) -> None:
    for name in ("vectors/shuttle.toml", "vectors/crc16/design.toml", "ci/wader.toml"):
        path = copy / name
        path.write_text("unknwon = 1\n" + path.read_text("utf-8"), "utf-8")
    table = copy / "vectors" / "crc16" / "check.csv"
    table.write_text(table.read_text("utf-8") + "1,1\n", "utf-8")
    found = {(item.location.path.name, item.rule) for item in check([copy])}
    assert found == {
        ("shuttle.toml", "unknown-key"),
        ("design.toml", "unknown-key"),
        ("wader.toml", "unknown-key"),
        ("check.csv", "ragged-row"),
    }


def test_the_faults_of_one_design_do_not_hide_those_of_another(tmp_path: Path) -> None:
    shuttle = SHUTTLE.replace('["count"]', '["sick", "count"]')
    files = write_files(tmp_path, shuttle, design=DESIGN.replace("address = 3", "address = -3"))
    sick = "".join(f"{name} = 1\n" for name in (f"wrong{number}" for number in range(200)))
    (tmp_path / "sick").mkdir()
    (tmp_path / "sick" / "design.toml").write_text(sick)
    assert rules(files.design_file) == ["out-of-range"]


def test_a_finding_is_told_once_however_often_a_file_is_named(tmp_path: Path) -> None:
    files = write_files(tmp_path, design=DESIGN.replace("address = 3", "address = -3"))
    assert rules(tmp_path, files.shuttle_file, files.design_file) == ["out-of-range"]


def test_a_table_that_no_design_lists_is_a_warning(tmp_path: Path) -> None:
    write_files(tmp_path)
    spare = tmp_path / "count" / "spare.csv"
    spare.write_text("clk,q\nC,77\n")
    assert rules(tmp_path) == ["table-not-listed"]
    assert rules(spare) == ["number-too-wide", "table-not-listed"]


def test_files_that_stand_alone_say_what_is_missing(tmp_path: Path) -> None:
    table, profile = tmp_path / "t.csv", tmp_path / "board.toml"
    table.write_text("a,b\n1,2\n")
    profile.write_text('controller = "RP2040"\n')
    (tmp_path / "x").mkdir()
    design = tmp_path / "x" / "design.toml"
    design.write_text(DESIGN)
    assert rules(table) == ["table-without-design"]
    assert rules(profile) == ["profile-without-shuttle"]
    assert rules(design) == ["design-without-shuttle"]


def test_a_design_that_the_shuttle_does_not_list_is_found(tmp_path: Path) -> None:
    write_files(tmp_path)
    shutil.copytree(tmp_path / "count", tmp_path / "other")
    assert rules(tmp_path / "other" / "design.toml") == ["design-not-listed"]
    assert rules(tmp_path) == ["design-not-listed"]


def test_what_is_no_input_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("x")
    (tmp_path / "b.toml").write_text("x = 1\n")
    (tmp_path / "c.toml").write_text("x = \n")
    assert rules(tmp_path / "a.txt") == ["unknown-file-kind"]
    assert rules(tmp_path / "b.toml") == ["unknown-file-kind"]
    assert rules(tmp_path / "c.toml") == ["toml-syntax"]
    assert rules(tmp_path / "none") == ["file-missing"]
    assert rules(tmp_path) == ["toml-syntax"]
    (tmp_path / "c.toml").unlink()
    assert rules(tmp_path) == ["nothing-to-check"]


def test_a_shuttle_that_is_not_toml_is_told_from_its_folder(tmp_path: Path) -> None:
    (tmp_path / "shuttle.toml").write_text("name = \n")
    assert rules(tmp_path) == ["toml-syntax"]


def test_a_settings_file_in_a_folder_that_is_not_toml_is_not_passed_over(copy: Path) -> None:
    rack = copy / "ci" / "demo-rack.toml"
    rack.write_text(rack.read_text("utf-8").replace("profile =", "profile"), "utf-8")
    (finding,) = check([copy])
    assert str(finding).startswith(f"{rack}:5:9: error [toml-syntax] not valid TOML: Expected '='")
    assert rules(copy / "ci") == ["toml-syntax"]


def test_somebody_elses_settings_file_in_a_folder_is_left_alone(copy: Path) -> None:
    (copy / "pyproject.toml").write_text('[project]\nname = "x"\n', "utf-8")
    assert rules(copy) == []


@pytest.mark.parametrize("name", ["vectors/shuttle.toml", "ci/wader.toml", "ci/demo-rack.toml"])
def test_a_byte_order_mark_does_not_hide_what_a_file_is(copy: Path, name: str) -> None:
    path = copy / name
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert rules(path) == ["byte-order-mark"]


@pytest.mark.parametrize("name", ["none.csv", "none.toml", "none.xyz", "none"])
def test_a_path_that_does_not_exist_is_said_to_be_missing(copy: Path, name: str) -> None:
    assert rules(copy / name) == ["file-missing"]


@pytest.mark.parametrize(
    ("name", "right", "wrong", "finding"),
    [
        ("ci/demo-rack.toml", "[[slot]]", "[[slots]]", 'unknown key "slots"; did you mean "slot"?'),
        (
            "ci/wader.toml",
            "controller =",
            "controler =",
            'unknown key "controler"; did you mean "controller"?',
        ),
    ],
)
def test_a_file_whose_telling_key_is_misspelt_is_not_passed_over_in_a_folder(
    copy: Path, name: str, right: str, wrong: str, finding: str
) -> None:
    path = copy / name
    path.write_text(path.read_text("utf-8").replace(right, wrong), "utf-8")
    assert any(finding in str(found) for found in check([copy]))
