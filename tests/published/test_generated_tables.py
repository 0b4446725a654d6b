"""The committed tables are exactly what the generator scripts beside them write.

So a table's expected values can be traced to the published definition in its script.
"""

from __future__ import annotations

import pytest

from tests.published import demo
from tests.published.generators import VECTORS


@pytest.mark.parametrize("name", demo.design_names())
def test_committed_tables_equal_what_the_generator_makes(name: str) -> None:
    folder = VECTORS / name
    made = demo.generated(name)
    committed = {path.name: path.read_text(encoding="utf-8") for path in folder.glob("*.csv")}
    assert committed == made, f"run vectors/{name}/make_tables.py and commit what it writes"


@pytest.mark.parametrize("name", demo.design_names())
def test_every_generated_table_is_used_by_its_design(name: str) -> None:
    used = {table.path.name for table in demo.design(name).tables}
    assert used == set(demo.generated(name))


@pytest.mark.parametrize("name", demo.design_names())
def test_every_design_names_its_source_and_its_author(name: str) -> None:
    design = demo.design(name)
    assert len(design.source) > 20
    assert design.author


def test_the_demo_shuttle_has_quick_tables_for_every_design() -> None:
    without = [d.name for d in demo.shuttle().designs if not any(t.intake for t in d.tables)]
    assert without == []
