"""Generators work from published definitions alone: they can reach neither our gates nor code."""

from __future__ import annotations

import ast
import sys

import pytest

from tests.published.generators import VECTORS, design_names

DESIGNS = design_names()


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
