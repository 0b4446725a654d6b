"""Puts a table into the folder of its design and names it in ``design.toml``.

One rule: the table's file is whole before ``design.toml`` names it, and nothing that an author
wrote is replaced unless that was asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from harness.door import MAX_SETTINGS_BYTES, is_there, read_file, write_whole
from harness.errors import ConfigError, FileUnusable, TableError
from harness.shuttle import Design, is_name, with_settings

SETTINGS = "design.toml"


def save_table(
    design: Design, name: str, lines: Iterable[str], settings: Mapping[str, Any], *, replace: bool
) -> Path:
    """Write ``NAME.csv`` beside ``design.toml``, set ``[tables.NAME]``, and return the file's path.

    ``lines`` are those of the file, which are written as they come; a setting with the value None
    is taken out. Raises ConfigError or TableError if the name is no name, the table is there and
    ``replace`` is False, or a file cannot be written; ``design.toml`` is then as it was.
    """
    settings_path = design.folder / SETTINGS
    path = table_path(design, name, replace=replace)
    _check_latency(design, name, settings)
    text = read_file(settings_path, MAX_SETTINGS_BYTES).decode("utf-8")
    # The origin of the old rows is not that of the new ones.
    origin = {} if "made_from" in settings else {"made_from": None, "unconfirmed": None}
    values = {"file": path.relative_to(design.folder).as_posix(), **origin, **settings}
    edited = with_settings(settings_path, text, ("tables", name), values)
    write_file(path, (line.encode("utf-8") for line in lines))
    if edited != text:
        write_file(settings_path, [edited.encode("utf-8")])
    return path


def table_path(design: Design, name: str, *, replace: bool) -> Path:
    """Return the file that a new table will be written to.

    Raises ConfigError or TableError if the name is no name, or the table is there already and
    ``replace`` is False.
    """
    if not is_name(name):
        advice = "use letters, digits and underscores, starting with a letter"
        raise ConfigError.of(
            "bad-name", design.folder / SETTINGS, f'"{name[:60]}" is not a valid name', advice
        )
    path = next((spec.path for spec in design.tables if spec.name == name), None)
    if path is None:
        path = design.folder / f"{name}.csv"
    elif path.suffix != ".csv" or not path.is_relative_to(design.folder):
        message = f'table "{name}" is kept in a file that is not written automatically'
        raise TableError.of("table-kept-elsewhere", path, message, "choose another name")
    if not replace and is_there(path):
        advice = "choose another name, or ask for the table to be replaced"
        raise TableError.of("table-exists", path, f'table "{name}" is already there', advice)
    return path


def _check_latency(design: Design, name: str, settings: Mapping[str, Any]) -> None:
    """Refuse a latency for rows that say what pins show in their own cycle.

    A table that is made from a file of its author can have one: it is the author's word.
    """
    latent = any(spec.name == name and any(spec.latency.values()) for spec in design.tables)
    if latent and "made_from" not in settings:
        message = f'table "{name}" has a latency, and its new rows would be tested later than meant'
        advice = "remove latency from it first, or choose another name"
        raise TableError.of("latency-left", design.folder / SETTINGS, message, advice)


def write_file(path: Path, chunks: Iterable[bytes]) -> None:
    """Write a file whole or not at all, making its folder. Raises FileUnusable."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, chunks)
    except (OSError, ValueError) as trouble:
        reason = getattr(trouble, "strerror", None) or str(trouble)
        message = f"the file cannot be written: {reason}"
        advice = "check the folder, its permissions and the disk"
        raise FileUnusable.of("file-unwritable", path, message, advice) from trouble
