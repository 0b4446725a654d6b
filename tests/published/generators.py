"""What the tests of published values share: a design's generator, and its tables cycle by cycle.

The one rule: nothing of the harness is imported, so that no check leans on
what it checks.
"""

from __future__ import annotations

import csv
import importlib.util
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

VECTORS = Path(__file__).parents[2] / "vectors"

Row = dict[str, str]


def design_names() -> list[str]:
    """Folders of the designs that the demo shuttle lists."""
    with (VECTORS / "shuttle.toml").open("rb") as file:
        return list(tomllib.load(file)["designs"])


def load_generator(design: str) -> ModuleType:
    """The design's ``make_tables.py`` as a module."""
    path = VECTORS / design / "make_tables.py"
    spec = importlib.util.spec_from_file_location(f"make_tables_{design}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up there
    spec.loader.exec_module(module)
    return module


def table_rows(design: str, file: str) -> list[Row]:
    """The rows of a committed table, comments left out."""
    text = (VECTORS / design / file).read_text(encoding="utf-8")
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


def cycles(rows: list[Row]) -> Iterator[Row]:
    """Every cycle of a table: a row with ``repeat`` 5 comes five times."""
    for row in rows:
        for _ in range(int(row.get("repeat") or 1)):
            yield row
