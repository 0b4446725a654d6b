"""Which files belong to a shuttle and its designs, told by their TOML alone.

One rule: a name is a path below the shuttle's folder or it is refused, before anything is opened.
"""

from __future__ import annotations

import posixpath
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.errors import BundleError, Finding, Location
from harness.shuttle import parse_toml
from harness_reports import name_trouble

SHUTTLE = "shuttle.toml"
DESIGN = "design.toml"


@dataclass(frozen=True)
class DesignListing:
    """A design's name, its folder and its files, as paths below the shuttle's folder."""

    name: str
    folder: str
    files: tuple[str, ...]


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
    names = [_inside(folder, name, place) for name in _names(values)]
    files = dict.fromkeys([f"{folder}/{DESIGN}", *names])
    return DesignListing(str(values.get("name", "")), folder, tuple(files))


def _names(values: Mapping[str, Any]) -> Iterator[object]:
    tables = values.get("tables")
    for table in tables.values() if isinstance(tables, dict) else ():
        if isinstance(table, dict):
            yield table.get("file")
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
    return BundleError([Finding("not-for-a-bundle", Location(place), message, advice)])
