"""Small checks of values, shared by the shuttle reader and the design reader.

One rule: each takes a table and a key, may add a finding, and returns a usable value.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from harness.door import check_file, finding_at, is_inside, whole_path
from harness.errors import FileUnusable
from harness.shuttle.tomlfile import TomlTable

Number = TypeVar("Number", int, float)
Maybe = TypeVar("Maybe", float, float | None)

MIN_RATE_HZ = 0.25
"""Boards take a cycle in nanoseconds as 32 bits, so it is at most 4.29 s long."""


def take_rate(table: TomlTable, key: str, default: float | None = None) -> float:
    """Read a rate from ``MIN_RATE_HZ`` up (``bad-rate`` otherwise); required without a default."""
    rate = table.take(key, float) if default is None else table.take(key, float, default)
    if rate is None:
        return 1.0
    if rate < MIN_RATE_HZ:
        advice = f"write a rate of at least {MIN_RATE_HZ:g} Hz"
        table.error("bad-rate", key, f'"{key}" is {rate:g}', advice)
        return 1.0
    return rate


def take_up_to(table: TomlTable, key: str, default: Number, maximum: int) -> Number:
    """Read a number from 0 to ``maximum`` (``out-of-range`` otherwise), of the default's type."""
    value = table.take(key, type(default), default)
    if not 0 <= value <= maximum:
        out_of_range(table, key, value, maximum)
        return default
    return value


def take_above_0(table: TomlTable, key: str, default: float, maximum: float) -> float:
    """Read a number above 0, at most ``maximum`` (``out-of-range`` otherwise)."""
    return above_0(table, key, table.take(key, float, default), maximum)


def above_0(table: TomlTable, key: str, value: Maybe, maximum: float) -> Maybe:
    """Add a finding for a number that is not above 0 and at most ``maximum``."""
    if value is not None and not 0 < value <= maximum:
        advice = f"write a number above 0, at most {maximum:,.10g}"
        table.error("out-of-range", key, f'"{key}" is {value:g}', advice)
    return value


def out_of_range(table: TomlTable, key: str, value: float, maximum: int) -> None:
    """Add the finding for a number that is not between 0 and ``maximum``."""
    advice = f"write a number from 0 to {maximum:,}"
    table.error("out-of-range", key, f'"{key}" is {value:,}', advice)


def existing_file(
    table: TomlTable,
    key: str,
    name: str,
    within: Path,
    *more: int,
    advice: str = "correct the name or add the file",
) -> Path:
    """Absolute path of a file beside the TOML file; a finding with the advice if there is none.

    A path that leads out of ``within`` is a finding too, and then the TOML file's own folder.
    """
    path = whole_path(table.path.parent / name)
    if not stays_inside(path, name, table, (key, *more), within):
        return table.path.parent
    message = f'"{name}" was not found in {table.path.parent}'
    is_there(path, name, table, (key, *more), (message, advice))
    return path


def stays_inside(
    path: Path, name: str, table: TomlTable, key: tuple[str | int, ...], within: Path
) -> bool:
    """Tell whether a path that a key names is in the shuttle's folder; False after a finding."""
    inside = is_inside(path, within)
    if not inside:
        message = f'"{name}" leads out of the folder of the shuttle'
        advice = "put it into the design's folder, or beside that"
        table.findings.error("outside-folder", table.location(*key), message, advice)
    return inside


def is_there(
    path: Path, name: str, table: TomlTable, key: tuple[str | int, ...], missing: tuple[str, str]
) -> bool:
    """Tell whether the file that a key names can be read; False after a finding at the key.

    ``missing`` is the message and advice if there is no such file.
    """
    try:
        check_file(path)
    except FileUnusable as error:
        finding = finding_at(error, table.location(*key), name)
        if finding.rule == "file-missing":
            finding = replace(finding, message=missing[0], advice=missing[1])
        table.findings.extend([finding])
        return False
    return True
