"""The committed tables are exactly what the scripts, lists and models beside them make.

So a table's expected values can be traced to the published definition in its script.
"""

from __future__ import annotations

import pytest

from harness.convert import (
    Stimulus,
    expand,
    generate,
    load_model,
    read_transactions,
)
from harness.errors import Findings
from harness.jobs.stale import stale_tables
from tests.published import demo
from tests.published.generators import VECTORS


@pytest.mark.parametrize("name", demo.design_names())
def test_committed_tables_equal_what_the_generator_makes(name: str) -> None:
    folder = VECTORS / name
    made = demo.generated(name)
    others = {table.path.name for table in demo.design(name).tables if table.made_from}
    committed = {path.name: path.read_text(encoding="utf-8") for path in folder.glob("*.csv")}
    assert {file: text for file, text in committed.items() if file not in others} == made, (
        f"run vectors/{name}/make_tables.py and commit what it writes"
    )


@pytest.mark.parametrize("name", demo.design_names())
def test_every_generated_table_is_used_by_its_design(name: str) -> None:
    used = {table.path.name for table in demo.design(name).tables if not table.made_from}
    assert used == set(demo.generated(name))


def test_the_table_of_a_transaction_list_is_what_the_list_makes() -> None:
    design = demo.design("uart")
    transactions = read_transactions(VECTORS / "uart" / "greeting.toml", design, Findings())
    assert transactions is not None
    committed = (VECTORS / "uart" / "greeting.csv").read_text(encoding="utf-8")
    assert committed == expand(transactions, design).text, (
        "run `harness expand vectors/uart/greeting` and commit what it writes"
    )


def test_the_table_of_a_reference_model_is_what_the_model_makes() -> None:
    """Same seed, same bytes."""
    design = demo.design("lfsr")
    origin = demo.table_spec("lfsr", "shifts").made_from
    assert origin is not None
    choices = Stimulus(origin.kind), origin.seed or 0, origin.cycles
    draft, coverage = generate(load_model(design), design, demo.shuttle(), *choices)
    committed = (VECTORS / "lfsr" / "shifts.csv").read_text(encoding="utf-8")
    assert committed == draft.text
    assert (coverage.listed, coverage.listed - len(coverage.missing)) == (4095, 1063)


def test_no_table_of_the_demo_is_older_than_what_it_was_made_from() -> None:
    stale = [finding for design in demo.shuttle().designs for finding in stale_tables(design)]
    assert stale == []


@pytest.mark.parametrize("name", demo.design_names())
def test_every_design_names_its_source_and_its_author(name: str) -> None:
    design = demo.design(name)
    assert len(design.source) > 20
    assert design.author


def test_the_demo_shuttle_has_quick_tables_for_every_design() -> None:
    without = [d.name for d in demo.shuttle().designs if not any(t.intake for t in d.tables)]
    assert without == []
