"""Every package shows what its face lists: sorted, complete, and nothing hidden in it."""

from __future__ import annotations

import ast
import importlib
import pkgutil
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

import harness
import harness.convert
import harness.grade
import harness.netlist
import harness.records
import harness.virtual
import harness_reports
from tests.bench import house

ROOT = Path(__file__).parents[2]
LAZY = (
    harness,
    harness.convert,
    harness.grade,
    harness.netlist,
    harness.records,
    harness.virtual,
    harness_reports,
)
"""Packages that load a name when it is first asked for; a stub beside each lists them."""


def packages() -> list[str]:
    found = {harness_reports.__name__}
    for package in (harness, harness_reports):
        found |= {
            module.name
            for module in pkgutil.walk_packages(package.__path__, package.__name__ + ".")
            if module.ispkg
        }
    return sorted(found - {face.__name__ for face in LAZY})


def shown_names(module: ModuleType) -> set[str]:
    """Public names of a package that are not its own submodules or ``__future__``."""
    return {
        name
        for name, value in vars(module).items()
        if not name.startswith("_") and not isinstance(value, ModuleType) and name != "annotations"
    }


def in_face_order(name: str) -> tuple[int, str]:
    """Constants, classes, functions: the order that the linter keeps too."""
    return (0 if name.isupper() else 1 if name[0].isupper() else 2, name.casefold())


def declared_names(face: ModuleType) -> list[str]:
    """What a face, or the stub beside it, lists: module by module, each in order."""
    assert face.__file__ is not None
    stub = Path(face.__file__).with_suffix(".pyi")
    listed = house.shown_names(
        ast.parse((stub if stub.exists() else Path(face.__file__)).read_text("utf-8"))
    )
    assert listed == sorted(listed, key=lambda one: (one[0], in_face_order(one[1])))
    names = [name for _, name in listed]
    assert len(set(names)) == len(names)
    return names


@pytest.mark.parametrize("name", packages())
def test_a_package_shows_exactly_what_its_face_lists(name: str) -> None:
    module = importlib.import_module(name)
    declared = declared_names(module)
    assert all(hasattr(module, name) for name in declared)
    assert shown_names(module) == set(declared)
    assert (module.__doc__ or "").strip()


@pytest.mark.parametrize("face", LAZY)
def test_a_lazy_face_opens_on_every_name_it_declares(face: ModuleType) -> None:
    names = declared_names(face)
    assert sorted(names) == sorted(face.__all__)
    for name in names:
        assert not isinstance(getattr(face, name), ModuleType)
    assert (face.__doc__ or "").strip()


def test_no_room_hides_a_name_of_the_front_door() -> None:
    rooms = {module.name for module in pkgutil.iter_modules(harness.__path__)}
    assert not rooms & set(dir(harness))


def test_a_name_that_is_not_shown_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="No harness attribute dance"):
        harness.dance  # type: ignore[attr-defined]  # noqa: B018 - looking it up is the test


def test_no_room_shows_a_name_that_nobody_imports() -> None:
    modules = house.read(ROOT, "harness", "reports", "tests", "vectors", "ci")
    assert house.unused_names(modules) == []
    assert (
        house.doors_passed_by([m for m in modules if m.path.is_relative_to(ROOT / "harness")]) == []
    )


def test_every_room_stands_in_the_import_contract() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    layers = next(contract["layers"] for contract in contracts if contract["type"] == "layers")
    named = {name.strip() for layer in layers for name in layer.split("|")}
    rooms = {f"harness.{module.name}" for module in pkgutil.iter_modules(harness.__path__)}
    assert rooms - {"harness.__main__"} | {"harness_pytest", "harness_reports"} == named
