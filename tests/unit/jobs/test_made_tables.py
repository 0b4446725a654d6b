"""Tables that are made from a file beside them: written, recorded, and stale when it changes."""

from __future__ import annotations

import hashlib
import re
import shlex
import shutil
import tomllib
from pathlib import Path

import pytest

from harness.cli import main
from harness.errors import ConfigError, TableError
from harness.jobs.check import check
from harness.jobs.expand import expand_transactions
from harness.records import RehearsalResult
from tests.unit.convert.serial_bench import Lines
from tests.unit.shuttle.bench import write_files

ROOT = Path(__file__).parents[3]
UART = 'kind = "uart"\ntx = "txd"\nrx = "rxd"\nbit_cycles = 4'
LIST = '[[step]]\nfrom_chip = "A"'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A design with a list, and no netlist."""
    lines = Lines(tmp_path)
    lines.design(UART)
    lines.list_path(LIST)
    return tmp_path / "lines"


def test_a_list_becomes_a_table_that_says_what_it_was_made_from(folder: Path) -> None:
    made = expand_transactions(folder / "list")
    assert made.path == folder / "list.csv"
    assert made.rehearsal.result is RehearsalResult.NO_NETLIST
    settings = tomllib.loads((folder / "design.toml").read_text("utf-8"))
    sha256 = hashlib.sha256((folder / "list.toml").read_bytes()).hexdigest()
    assert settings["tables"]["list"] == {
        "file": "list.csv",
        "made_from": {"file": "list.toml", "sha256": sha256},
    }
    assert check([folder.parent]) == []


def test_a_table_of_a_list_that_has_changed_is_stale_until_it_is_made_again(folder: Path) -> None:
    expand_transactions(folder / "list", "other")
    (folder / "list.toml").write_text(f'serial = "line"\n{LIST}\n\n', "utf-8")
    assert [str(finding) for finding in check([folder.parent])] == [
        (
            f"{folder}/other.csv: warning [stale-table] list.toml has changed since this table was "
            f"made from it; make it again: harness expand {folder}/list --table other"
        )
    ]
    expand_transactions(folder / "list", "other")
    assert check([folder.parent]) == []


def test_no_origin_outside_of_the_designs_folder_is_read(folder: Path) -> None:
    """Whether it has changed would say what is in it."""
    expand_transactions(folder / "list")
    (folder / "list.toml").unlink()
    (folder.parent / "secret.toml").write_text("")
    (folder / "list.toml").symlink_to("../secret.toml")
    assert "stale-table" not in [finding.rule for finding in check([folder.parent])]


def test_the_command_that_makes_a_table_again_runs_nothing_that_design_toml_says(
    folder: Path,
) -> None:
    (folder / "model.py").write_text("")
    text = (folder / "design.toml").read_text("utf-8")
    origin = f'{{ file = "model.py", sha256 = "{"0" * 64}", seed = 1, kind = "$(touch x); y" }}'
    settings = text.replace("[tables.main]", f"[tables.main]\nmade_from = {origin}")
    (folder / "design.toml").write_text(settings, "utf-8")
    (found,) = (str(f) for f in check([folder.parent]) if f.rule == "stale-table")
    command = found.partition("make it again: ")[2]
    assert shlex.split(command)[5:7] == ["--kind", "$(touch x); y"]
    assert "'$(touch x); y'" in command


def test_a_list_that_is_gone_is_not_compared(folder: Path) -> None:
    expand_transactions(folder / "list.toml")
    (folder / "list.toml").unlink()
    assert check([folder.parent]) == []


def test_a_table_that_was_not_made_from_the_list_is_replaced_only_when_asked(folder: Path) -> None:
    with pytest.raises(TableError, match="already there"):
        expand_transactions(folder / "list", "main")
    assert expand_transactions(folder / "list", "main", replace=True).path == folder / "main.csv"


@pytest.mark.parametrize("path", [".", "/", ""])
def test_what_has_no_name_is_no_list(path: str) -> None:
    with pytest.raises(ConfigError):
        expand_transactions(path)


def test_a_folder_that_the_shuttle_does_not_list_is_refused(folder: Path) -> None:
    other = folder.parent / "other"
    other.mkdir()
    (other / "design.toml").touch()
    with pytest.raises(ConfigError, match='the shuttle does not list "other"; add the folder'):
        expand_transactions(other / "list")


def test_the_command_says_where_the_table_is(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["expand", str(folder / "list")]) == 0
    first, second, third = capsys.readouterr().out.splitlines()
    assert first == f"Wrote {folder}/list.csv"
    assert second.startswith("lines/list: not rehearsed: the design has no netlist; ")
    assert third == f"Next: harness netlist lines --shuttle {folder.parent}"


def test_the_list_in_the_reference_expands_as_it_stands_there(tmp_path: Path) -> None:
    page = (ROOT / "vectors" / "README.md").read_text("utf-8").partition("## Serial interfaces")[2]
    settings, steps = re.findall(r"(?ms)^```toml\n(.*?)^```", page)[:2]
    text = (ROOT / "vectors" / "shuttle.toml").read_text("utf-8")
    start, stop = text.index("designs = ["), text.index("]\n\n[pins]")
    (tmp_path / "shuttle.toml").write_text(f'{text[:start]}designs = ["uart"{text[stop:]}', "utf-8")
    shutil.copytree(ROOT / "vectors" / "uart", tmp_path / "uart")
    (tmp_path / "uart" / "grade.json").unlink()  # of other tables
    design = (tmp_path / "uart" / "design.toml").read_text("utf-8")
    start, stop = design.index("[serial.console]"), design.index("[tables.directed]")
    design = f"{design[:start]}{settings}\n{design[stop:]}".replace('netlist = "netlist.json"', "")
    (tmp_path / "uart" / "design.toml").write_text(design, "utf-8")
    (tmp_path / "uart" / "greeting.toml").write_text(steps, "utf-8")
    made = expand_transactions(tmp_path / "uart" / "greeting")
    labels = [line for line in made.path.read_text("utf-8").splitlines() if "hears a C" in line]
    assert labels == ["C,0,0x00,X,0,4,hears a C,"]
    assert check([tmp_path]) == []


def test_the_model_in_the_reference_makes_a_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = (ROOT / "vectors" / "README.md").read_text("utf-8").partition("## Reference models")[2]
    page = page.partition("\n## ")[0]
    (model,) = re.findall(r"(?ms)^```python\n(.*?)^```", page)
    write_files(tmp_path)
    folder = tmp_path / "count"
    (folder / "model.py").write_text(model, "utf-8")
    for kind, reached in (("random", 16), ("directed", 3), ("corner", 16), ("constrained", 16)):
        choices = ["--kind", kind, "--seed", "7", "--cycles", "200", "--table", f"made_{kind}"]
        assert main(["generate", str(folder), *choices]) == 0
        assert f"reaches {reached} of 16 states" in capsys.readouterr().out
    assert check([tmp_path]) == []
    (folder / "model.py").write_text(f"{model}\n", "utf-8")
    first, *_ = check([tmp_path])
    assert str(first) == (
        f"{folder}/made_random.csv: warning [stale-table] model.py has changed since this table "
        f"was made from it; make it again: harness generate {folder} --table made_random "
        "--kind random --cycles 200 --seed 7"
    )
