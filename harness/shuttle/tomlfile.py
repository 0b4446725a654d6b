"""Reads typed values from TOML files and reports every fault with its line and column.

One rule: a :class:`TomlTable` never raises for the content of a file. It adds a finding and returns
the default, so that one reading reports all faults. A reader takes each key it knows, then calls
:meth:`TomlTable.finish` on the top table: keys that were not asked for are unknown.

Used like this::

    findings = Findings()
    top = read_toml(path, findings)
    if top is not None:
        name = top.take("name", str)            # str | None; a finding when missing
        rate = top.take("rate_hz", float, 1e6)  # float; integers are accepted
        pins = top.table("pins")                # TomlTable | None; a finding when missing
        slots = top.tables("slot")              # list[TomlTable]; may be empty
        top.finish()                            # unknown keys, in every table returned

Nothing here knows the meaning of a key.
"""

from __future__ import annotations

import difflib
import hashlib
import math
import re
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import Any, TypeVar, overload

from harness.errors import Finding, Findings, Location
from harness.shuttle.dotted import parse_toml
from harness.shuttle.places import KeyPath, Place, find_places
from harness.shuttle.textfile import TextFile, read_text

T = TypeVar("T", str, int, float, bool, date)

_KIND_NAMES: dict[type, str] = {
    str: "a string in quotes",
    int: "a whole number",
    float: "a number",
    bool: "true or false",
    date: "a date such as 2027-01-31",
    list: "a list in [ ]",
    dict: "a table",
}
_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")


def read_toml(path: Path, findings: Findings) -> TomlTable | None:
    """Return the top table of a TOML file, or None after findings if it is not TOML."""
    file = read_text(path, findings)
    if file is None:
        return None
    try:
        values = parse_toml(file.text)
    except tomllib.TOMLDecodeError as trouble:
        _add_syntax_error(file, str(trouble), findings)
        return None
    except RecursionError:
        _add_syntax_error(file, "Values are nested too deeply (at line 1, column 1)", findings)
        return None
    top = TomlTable(_Source(path, file.data, find_places(file.text), findings), values, ())
    for place in _nuls(values, ()):
        findings.error(
            "nul-character",
            top.location(*place),
            "this string contains a NUL character",
            "remove \\u0000",
        )
    return top


def _nuls(value: object, place: KeyPath) -> Iterator[tuple[Any, ...]]:
    """Find strings and keys with a NUL, which TOML allows but no page or database can store."""
    if isinstance(value, dict):
        below: Iterable[tuple[str | int, object]] = value.items()
    elif isinstance(value, list):
        below = enumerate(value)
    else:
        below = ()
        if isinstance(value, str) and "\0" in value:
            yield place
    for key, item in below:
        if isinstance(key, str) and "\0" in key:
            yield (*place, key)
        yield from _nuls(item, (*place, key))


def nearest(word: str, known: Iterable[str]) -> str:
    """Advice for an unknown name: the nearest known one, or the list of all."""
    names = sorted(set(known))
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    if close:
        return f'did you mean "{close[0]}"?'
    return f"use one of: {', '.join(names)}" if names else "remove it"


def _add_syntax_error(file: TextFile, message: str, findings: Findings) -> None:
    """Add the finding for a text that is not TOML, at the place that ``tomllib`` names."""
    at = _AT.search(message)
    lines = file.text.split("\n")
    line, column = len(lines), len(lines[-1]) + 1
    if at and at.group(1):
        line, column = int(at.group(1)), int(at.group(2))
    words = _AT.sub("", message)
    findings.error(
        "toml-syntax",
        Location(file.path, line, column),
        f"not valid TOML: {words[:200]}",
        "correct this line; strings need quotes",
    )


@dataclass(frozen=True)
class _Source:
    """What all tables of a file share."""

    path: Path
    data: bytes
    places: dict[KeyPath, Place]
    findings: Findings


@dataclass
class TomlTable:
    """One table of a TOML file, read key by key. Made by :func:`read_toml`.

    ``take`` and ``strings`` return values, ``table``, ``tables`` and ``children`` return the tables
    below; each adds a finding instead of raising. Every key asked for becomes known.
    """

    source: _Source
    values: dict[str, object]
    key_path: KeyPath
    known: set[str] = field(default_factory=set)
    below: list[TomlTable] = field(default_factory=list)

    @property
    def path(self) -> Path:
        """The path of the file."""
        return self.source.path

    @property
    def findings(self) -> Findings:
        """The findings of this reading."""
        return self.source.findings

    @property
    def sha256(self) -> str:
        """SHA-256 of the whole file, in hex."""
        return hashlib.sha256(self.source.data).hexdigest()

    @property
    def title(self) -> str:
        """The name of this table as in the file: ``pins``, ``slot[0]``; empty at the top."""
        text = ""
        for part in self.key_path:
            text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
        return text

    def __contains__(self, key: str) -> bool:
        """Tell whether the key exists; asking makes it known."""
        self.known.add(key)
        return key in self.values

    def __iter__(self) -> Iterator[str]:
        """All keys in the order of the file; does not make them known."""
        return iter(tuple(self.values))

    def location(self, *keys: str | int) -> Location:
        """Place of a key, or of an element or key below it; of this table if there is none."""
        path = (*self.key_path, *keys)
        while path not in self.source.places:
            path = path[:-1]
        return Location(self.path, *self.source.places[path]) if path else Location(self.path, 1, 1)

    def error(self, rule: str, key: str, message: str, advice: str, *more: str | int) -> None:
        """Add an error at a key of this table, or below it (see :meth:`location`)."""
        self.findings.error(rule, self.location(key, *more), message, advice)

    @overload
    def take(self, key: str, kind: type[T]) -> T | None: ...
    @overload
    def take(self, key: str, kind: type[T], default: T) -> T: ...
    def take(self, key: str, kind: type[T], default: T | None = None) -> T | None:
        """Value of a key. Without a default the key is required.

        Adds ``missing-key``, ``wrong-type``, or ``out-of-range`` for inf and nan, and returns the
        default (None without one). A float accepts whole numbers; a whole number never accepts
        true or false.
        """
        if key not in self:
            if default is None:
                self.missing(key, _KIND_NAMES[kind])
            return default
        value = self.values[key]
        if kind is float and type(value) is int:
            value = float(value)
        if type(value) is not kind or isinstance(value, datetime):
            self.mistyped(key, _KIND_NAMES[kind])
            return default
        if isinstance(value, float) and not math.isfinite(value):
            self.error("out-of-range", key, f'"{key}" is {value}', "write a finite number")
            return default
        return value

    def raw(self, key: str) -> object:
        """Value of a key of any type, or None; makes it known."""
        self.known.add(key)
        return self.values.get(key)

    def text(self, key: str) -> str:
        """Read a required string that must not be empty; "" after a finding."""
        text = self.take(key, str)
        if text is not None and not text.strip():
            self.error("empty-text", key, f'"{key}" is empty', "fill it in")
        return (text or "").strip()

    def strings(self, key: str, default: tuple[str, ...] | None = None) -> tuple[str, ...]:
        """Return a list of strings. Without a default the key is required; () if wrong.

        A single string is read as a list of one.
        """
        if key not in self:
            if default is None:
                self.missing(key, "a list of strings")
            return default or ()
        value = self.values[key]
        if isinstance(value, str):
            return (value,)
        if not isinstance(value, list):
            self.mistyped(key, "a list of strings")
            return default or ()
        for index, item in enumerate(value):
            if not isinstance(item, str):
                self._mistyped_at(
                    self.location(key, index), f"{key}[{index}]", "a string in quotes"
                )
        return tuple(item for item in value if isinstance(item, str))

    def table(self, key: str) -> TomlTable | None:
        """Return the table under a key, or None after a finding."""
        if key not in self:
            self.missing(key, f"a table, [{key}]")
        return self.maybe_table(key)

    def maybe_table(self, key: str) -> TomlTable | None:
        """Return the table under a key, or None if there is none."""
        return self._table(key, self.values[key]) if key in self else None

    def tables(self, key: str) -> list[TomlTable]:
        """Return the tables of an array ``[[key]]``; empty if there is none."""
        value = self.values[key] if key in self else []
        if not isinstance(value, list):
            self.mistyped(key, f"an array of tables, [[{key}]]")
            return []
        tables = [self._table(key, item, index) for index, item in enumerate(value)]
        return [table for table in tables if table is not None]

    def children(self) -> Iterator[tuple[str, TomlTable]]:
        """All keys of a table whose keys are names, with the table under each."""
        for key, value in self.values.items():
            self.known.add(key)
            table = self._table(key, value)
            if table is not None:
                yield key, table

    def finish(self) -> None:
        """Report every key that was not asked for, here and in all tables returned."""
        for key in self.values:
            if key not in self.known:
                self.findings.add_lazy(partial(self._unknown, key))
        for table in self.below:
            table.finish()

    def _unknown(self, key: str) -> Finding:
        where = f" in [{self.title}]" if self.title else ""
        message = f'unknown key "{key}"{where}'
        return Finding("unknown-key", self.location(key), message, nearest(key, self.known))

    def missing(self, key: str, what: str) -> None:
        """Add the finding for a missing key."""
        where = f"[{self.title}]" if self.title else "this file"
        self.error("missing-key", key, f'{where} has no "{key}"', f"add it: {what}")

    def mistyped(self, key: str, what: str) -> None:
        """Add the finding for a value of the wrong type."""
        self._mistyped_at(self.location(key), key, what)

    def _mistyped_at(self, place: Location, name: str, what: str) -> None:
        self.findings.error("wrong-type", place, f'"{name}" has the wrong type', f"write {what}")

    def _table(self, key: str, value: object, *index: int) -> TomlTable | None:
        if not isinstance(value, dict):
            self._mistyped_at(self.location(key, *index), key, "a table")
            return None
        path = (*self.key_path, key, *index)
        table = TomlTable(self.source, value, path)
        self.below.append(table)
        return table
