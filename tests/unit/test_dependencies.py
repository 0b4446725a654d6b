"""Every import of the tool is named in ``pyproject.toml``: none works by chance."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import packages_distributions
from pathlib import Path

ROOT = Path(__file__).parents[2]
OWN = {"harness", "harness_pytest", "harness_reports"}
ROOMS = ("harness", "reports")
ON_THE_BOARD = ROOT / "harness/agent"
"""Modules of MicroPython, which no package brings."""
FOR_TYPES = {"_typeshed"}
"""Known to type checkers alone, and imported for them alone."""
OF_THE_INTERPRETER = {"vfs"}
"""Modules of MicroPython that ``harness/virtual/doors.py`` needs, which runs under it."""
OF_THE_CALLER = {"cocotb", "pytest", "_pytest", "xdist"}
"""Brought by those who use a testbench, or pytest: nothing here needs them otherwise."""


def imported(file: Path) -> Iterator[str]:
    """Top modules that a file imports, wherever in it."""
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield node.module.split(".")[0]


def declared() -> set[str]:
    """Names of packages that an installation may bring, as PyPI writes them (PEP 503)."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"].values()
    wanted = [*project["dependencies"], *(text for extra in extras for text in extra)]
    return {normal(re.split(r"[\[<>=!~; ]", text)[0]) for text in wanted}


def normal(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def test_every_import_is_of_a_declared_dependency() -> None:
    files = [file for room in ROOMS for file in (ROOT / room).rglob("*.py")]
    found = {
        (module, str(file.relative_to(ROOT)))
        for file in files
        if ON_THE_BOARD not in file.parents
        for module in imported(file)
        if module
        not in OWN | FOR_TYPES | OF_THE_INTERPRETER | OF_THE_CALLER | sys.stdlib_module_names
    }
    assert len(found) > 20
    packages, named = packages_distributions(), declared()
    strangers = [
        (module, file)
        for module, file in sorted(found)
        if not named & {normal(package) for package in packages.get(module, [])}
    ]
    assert strangers == []
