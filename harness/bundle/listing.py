"""Which files belong to a shuttle and its designs, told by their TOML alone.

One rule: a name is a path below the shuttle's folder or it is refused, before anything is opened.
"""

from __future__ import annotations

import posixpath
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.bundle.archive import name_trouble
from harness.errors import BundleError
from harness.shuttle import parse_toml

SHUTTLE = "shuttle.toml"
DESIGN = "design.toml"


@dataclass(frozen=True)
class DesignListing:
    """A design's name and its files, as paths below the shuttle's folder; ``tables`` by name."""

    name: str
    files: tuple[str, ...]
    tables: Mapping[str, str]


def read_values(data: bytes, place: Path) -> dict[str, Any]:
    """Return a TOML file's values. Raises BundleError."""
    try:
        return parse_toml(data.decode("utf-8-sig"))
    except (ValueError, RecursionError) as trouble:
        raise _refusal(place, f"not TOML: {trouble}") from trouble


def design_folders(shuttle: Mapping[str, Any], place: Path) -> tuple[str, ...]:
    """Return the folders that a shuttle lists, in its order. Raises BundleError."""
    listed = shuttle.get("designs")
    names = listed if isinstance(listed, list) else [listed]
    return tuple(_inside(".", name, place) for name in names)


def list_design(folder: str, data: bytes, place: Path) -> DesignListing:
    """Return the files that a design.toml names, itself first. Raises BundleError."""
    values = read_values(data, place)
    listed = values.get("tables")
    specs = listed.items() if isinstance(listed, dict) else ()
    tables = {
        name: _inside(folder, spec.get("file"), place)
        for name, spec in specs
        if isinstance(spec, dict)
    }
    sources = [_inside(folder, name, place) for name in _sources(values)]
    files = dict.fromkeys([f"{folder}/{DESIGN}", *tables.values(), *sources])
    return DesignListing(str(values.get("name", "")), tuple(files), tables)


def _sources(values: Mapping[str, Any]) -> Iterator[object]:
    verilog = values.get("verilog", [])
    yield from verilog if isinstance(verilog, list) else [verilog]
    if values.get("netlist"):
        yield values["netlist"]


def _inside(folder: str, name: object, place: Path) -> str:
    if not isinstance(name, str) or not name:
        raise _refusal(place, f"{name!r} is not the name of a file or folder")
    path = posixpath.normpath(posixpath.join(folder, name))
    trouble = name_trouble(path)
    if trouble:
        raise _refusal(place, f'"{name}" {trouble}')
    return path


def _refusal(place: Path, message: str) -> BundleError:
    advice = "a bundle holds files below the shuttle's folder, under plain names"
    return BundleError.of("not-for-a-bundle", place, message, advice)
