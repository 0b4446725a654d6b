"""The grades of the demo are those of its tables and netlists, and the README has their table."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.grade import kept_grade, older_than, table_keys
from harness.rehearse import Gates
from harness.table import load_table
from tests.published import coverage, demo

ROOT = Path(__file__).parents[2]


def test_the_readme_has_the_table_that_the_grades_make() -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    assert "\n".join(coverage.lines()) in text, (
        "put in what python -m tests.published.coverage prints"
    )


@pytest.mark.parametrize("name", demo.design_names())
def test_a_kept_grade_is_of_the_tables_and_the_netlist_of_today(name: str) -> None:
    design, shuttle = demo.design(name), demo.shuttle()
    grade = kept_grade(design.folder)
    assert grade is not None
    patterns = {spec.name: load_table(spec, design, shuttle) for spec in design.tables}
    keys = table_keys(design, shuttle, patterns)
    assert older_than(grade, Gates(shuttle).key(name), keys) == ()
