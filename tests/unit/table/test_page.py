"""The reference page says what the code does: every rule slug, and its examples."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import harness
from tests.unit.table.tables import Desk

PACKAGE = Path(harness.__file__).parent
PAGE = (PACKAGE.parent / "vectors" / "README.md").read_text("utf-8")
SOURCES = [
    *(PACKAGE / "shuttle").glob("*.py"),
    *(PACKAGE / "table").glob("*.py"),
    *(PACKAGE / "convert").glob("*.py"),
    PACKAGE / "rehearse" / "remarks.py",
    PACKAGE / "jobs" / "check.py",
    PACKAGE / "jobs" / "compact.py",
    PACKAGE / "jobs" / "netlist.py",
    PACKAGE / "jobs" / "new.py",
    PACKAGE / "jobs" / "unedited.py",
    PACKAGE / "jobs" / "unproven.py",
    PACKAGE / "jobs" / "generate.py",
    PACKAGE / "jobs" / "grade.py",
    PACKAGE / "jobs" / "made.py",
    PACKAGE / "jobs" / "stale.py",
    PACKAGE / "jobs" / "strengthen.py",
    PACKAGE / "door.py",
    PACKAGE / "errors.py",
    PACKAGE / "jobs" / "run.py",
    PACKAGE / "jobs" / "tables.py",
    PACKAGE / "jobs" / "intake.py",
    PACKAGE / "jobs" / "margin.py",
    PACKAGE / "board" / "profile.py",
    PACKAGE / "virtual" / "models.py",
    *(PACKAGE / "rack").glob("f*.py"),
    PACKAGE / "rack" / "sections.py",
]
SLUG = re.compile(r"[a-z]+[0-9]?(-[a-z0-9]+)+")
TELLERS = {"error", "warn", "Refusal", "Finding", "_refuse_rows", "_refused", "of"}


def slugs() -> set[str]:
    """Every text in the place of a rule's slug in a call that makes a finding."""
    found: set[str] = set()
    for source in SOURCES:
        for node in ast.walk(ast.parse(source.read_text("utf-8"))):
            if isinstance(node, ast.Call) and _name(node.func) in TELLERS:
                found |= {
                    text.value
                    for argument in node.args[:2]
                    for text in ast.walk(argument)
                    if isinstance(text, ast.Constant)
                    and isinstance(text.value, str)
                    and SLUG.fullmatch(text.value)
                }
    return found


def _name(node: ast.expr) -> str:
    return node.attr if isinstance(node, ast.Attribute) else getattr(node, "id", "")


def test_every_rule_is_explained_on_the_page() -> None:
    rows = [line.split("|")[1] for line in PAGE.splitlines() if line.startswith("| `")]
    explained = {slug for row in rows for slug in re.findall(r"`([a-z0-9-]+)`", row)}
    assert len(slugs()) > 60
    assert slugs() - explained == set()


def test_every_explained_rule_is_in_the_code() -> None:
    code = "".join(source.read_text("utf-8") for source in SOURCES)
    part = PAGE[PAGE.index("## Findings") :]
    rows = [line.split("|")[1] for line in part.splitlines() if line.startswith("| `")]
    for slug in (slug for row in rows for slug in re.findall(r"`([a-z0-9]+(?:-[a-z0-9]+)+)`", row)):
        made = slug.startswith("doubled-") and 'f"doubled-{key}"' in code
        made |= slug.startswith("unknown-") and 'f"unknown-{what}"' in code
        assert made or f'"{slug}"' in code, slug


def test_the_first_example_of_the_reference_is_a_table(desk: Desk) -> None:
    example = PAGE[PAGE.index("## A first table") :].split("```csv\n")[1].split("```")[0]
    pattern = desk.load(example)
    assert pattern.cycles == 18
    assert [desk.value(int(word), "q") for word in pattern.expect] == [0, 1, 2, 3, 0, 15, 0, 0]
    held = desk.mask("rst_n", "en")
    assert all(int(word) & held == held for word in pattern.drive[1:])


def test_the_table_of_bus_cells_is_true(desk: Desk) -> None:
    for text, value in (("11", 11), ("0xB", 11), ("0b1011", 11), ("1011", 11), ("0010", 2)):
        assert f"`{text}`" in PAGE
        assert desk.value(int(desk.load(f"d,q\n{text},1\n").drive[0]), "d") == value
    for text, rule in (("010", "leading-zero"), ("16", "number-too-wide")):
        assert f"| `{text}` | refused |" in PAGE
        assert desk.told(f"d,q\n{text},1\n") == [f"2:1 {rule}"]
