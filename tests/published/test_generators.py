"""Committed tables are what the generators beside them make of the published definitions."""

from __future__ import annotations

import ast
import sys

import pytest

from tests.published.generators import VECTORS, design_file, design_names, load_generator

DESIGNS = design_names()


@pytest.mark.parametrize("design", DESIGNS)
def test_committed_tables_are_what_the_generator_makes(design: str) -> None:
    for name, text in load_generator(design).tables().items():
        assert (VECTORS / design / name).read_bytes() == text.encode(), name


@pytest.mark.parametrize("design", DESIGNS)
def test_every_table_of_a_design_comes_from_its_generator(design: str) -> None:
    listed = {table["file"] for table in design_file(design)["tables"].values()}
    assert set(load_generator(design).tables()) == listed
    assert {path.name for path in (VECTORS / design).glob("*.csv")} == listed


@pytest.mark.parametrize("design", DESIGNS)
def test_a_generator_uses_the_standard_library_only(design: str) -> None:
    """So that expected values cannot come from our own netlists or simulators."""
    tree = ast.parse((VECTORS / design / "make_tables.py").read_text(encoding="utf-8"))
    imported = {
        name.split(".")[0]
        for node in ast.walk(tree)
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or "."]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }
    assert imported
    assert imported <= set(sys.stdlib_module_names)


@pytest.mark.parametrize("design", DESIGNS)
def test_a_generator_reads_no_file(design: str) -> None:
    tree = ast.parse((VECTORS / design / "make_tables.py").read_text(encoding="utf-8"))
    names = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    names |= {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    assert not names & {"open", "read_text", "read_bytes", "subprocess", "system"}
