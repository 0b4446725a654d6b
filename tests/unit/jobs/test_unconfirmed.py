"""A table whose expected values nobody has confirmed: warned about, and run only by its name."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import harness
from harness.errors import ConfigError
from harness.intake import load_plan
from harness.jobs.tables import choose_tables, load_jobs, with_recorded
from harness.rack import Rack, Slot
from harness.shuttle import Shuttle, load_shuttle
from tests.system.virtual import ROOT, profile
from tests.unit.reports.samples import passed


@pytest.fixture(scope="module")
def vectors(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The decoder alone, with a second table that was observed; both are for the intake."""
    folder = tmp_path_factory.mktemp("unconfirmed")
    shutil.copytree(ROOT / "vectors" / "dec138", folder / "dec138")
    text = (ROOT / "vectors" / "shuttle.toml").read_text("utf-8")
    text = re.sub(r"(?s)designs = \[.*?\]", 'designs = ["dec138"]', text)
    (folder / "shuttle.toml").write_text(re.sub(r"(?m)^pin_check.*\n", "", text), "utf-8")
    with (folder / "dec138" / "design.toml").open("a", encoding="utf-8") as file:
        file.write(
            '\n[tables.hand]\nfile = "function.csv"\nintake = true\n'
            'unconfirmed = "observed on chip SP2-0007"\n'
        )
    return folder


@pytest.fixture
def shuttle(vectors: Path) -> Shuttle:
    return load_shuttle(vectors)


@pytest.fixture
def rack(shuttle: Shuttle) -> Rack:
    return Rack("bench", shuttle, profile(), (Slot("A1", "loop://", "", "SP2-0001"),))


def test_check_warns_of_it_at_its_line(vectors: Path) -> None:
    file = vectors / "dec138" / "design.toml"
    line = file.read_text("utf-8").splitlines().index('unconfirmed = "observed on chip SP2-0007"')
    (finding,) = harness.check([vectors / "shuttle.toml"])
    assert str(finding) == (
        f'{file}:{line + 1}:1: warning [unconfirmed-table] expected values of table "hand" are '
        "unconfirmed: observed on chip SP2-0007; compare them with the specification, then remove "
        "this line; until then the table runs only where it is named"
    )


@pytest.mark.parametrize(
    ("wanted", "runs", "news"),
    [
        ((), ["function"], 1),
        (("dec138",), ["function"], 1),
        (("dec138/hand",), ["hand"], 0),
        (("dec138", "dec138/hand"), ["function", "hand"], 0),
        (("dec138/*",), ["function", "hand"], 0),
    ],
)
def test_a_run_leaves_it_out_and_says_so_unless_it_is_named(
    rack: Rack, wanted: tuple[str, ...], runs: list[str], news: int
) -> None:
    told: list[str] = []
    assert [job.spec.name for job in load_jobs(rack, wanted, told.append)] == runs
    line = (
        "dec138/hand is left out: its expected values are unconfirmed "
        "(observed on chip SP2-0007); name it to run it"
    )
    assert [text for text in told if "rehearsing" not in text] == [line] * news


def test_a_name_of_a_table_that_is_not_there(shuttle: Shuttle) -> None:
    with pytest.raises(ConfigError, match='no table of Sandpiper 2 matches "dec138/hands"; did'):
        choose_tables(shuttle, ["dec138/hands"])


def test_an_intake_leaves_it_out(rack: Rack) -> None:
    assert [job.spec.name for job in load_plan(rack).tables] == ["function"]


def test_what_ran_by_its_name_is_replayed_and_weighed_again_with_the_others(
    shuttle: Shuttle,
) -> None:
    one = replace(passed(), design="dec138", table="function")
    assert with_recorded(shuttle, [one]) == ("dec138",)
    both = with_recorded(shuttle, [one, replace(one, table="hand")])
    assert [wanted.spec.name for wanted in choose_tables(shuttle, both)] == ["function", "hand"]
