"""The demo shuttle as the checks here see it: its designs, their tables and generators.

The one rule: everything comes from the committed files; nothing is written.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import cast

from harness.shuttle import Design, Shuttle, TableSpec, load_shuttle
from tests.published.generators import VECTORS, load_generator


@cache
def shuttle() -> Shuttle:
    """The demo shuttle."""
    return load_shuttle(VECTORS / "shuttle.toml")


def design(name: str) -> Design:
    """One design of the demo shuttle."""
    return shuttle().designs_by_name[name]


def design_names() -> list[str]:
    """Names of all designs, for parametrised tests."""
    return [found.name for found in shuttle().designs]


def table_names() -> list[tuple[str, str]]:
    """(design, table) of all tables, for parametrised tests."""
    return [(found.name, table.name) for found in shuttle().designs for table in found.tables]


def table_spec(design_name: str, table: str) -> TableSpec:
    """The settings of one table."""
    return next(spec for spec in design(design_name).tables if spec.name == table)


@cache
def generated(name: str) -> dict[str, str]:
    """What the generator script of a design makes: file name → CSV text."""
    tables = cast("Callable[[], dict[str, str]]", load_generator(name).tables)
    return tables()
