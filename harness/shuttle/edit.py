"""Adds settings to an author's TOML text and leaves every other byte as it is.

One rule: the result is read back and must differ from the text in these settings alone.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from tree_sitter import Node

from harness.errors import ConfigError
from harness.shuttle.places import key_names, parse_tree
from harness.shuttle.toml_text import key_text, quoted, toml_text


def with_settings(path: Path, text: str, table: tuple[str, ...], values: Mapping[str, Any]) -> str:
    """Return a file's text with these keys of ``[table]`` set; the table is added if it is missing.

    A key with the value None is taken out, with its line.

    Raises ConfigError if the text is not TOML or has the table in another form than ``[table]``.
    """
    try:
        before = tomllib.loads(text)
    except tomllib.TOMLDecodeError as trouble:
        raise ConfigError.of("bad-toml", path, str(trouble), "mend it first") from trouble
    data = text.encode("utf-8")
    node = next(_tables(parse_tree(data), table), None)
    after = _added(data, table, values) if node is None else _changed(data, node, values)
    edited = after.decode("utf-8")
    if _read(edited) != _merged(before, table, values):
        name = ".".join(table)
        message = f"the settings of {name} cannot be written automatically"
        lines = toml_text(_present(values)).replace("\n", " ")
        advice = f"write them under [{name}] by hand: {lines}"
        raise ConfigError.of("toml-not-edited", path, message, advice.strip())
    return edited


def with_element(path: Path, text: str, key: str, value: str) -> str:
    """Return a file's text with a string added to the list under a key of the top.

    Raises ConfigError if the text is not TOML or has no such list.
    """
    data = text.encode("utf-8")
    before = _read(text) or {}
    old = before.get(key)
    after = data
    if isinstance(old, list):
        pairs = [node for node in parse_tree(data).named_children if node.type == "pair"]
        node = next(p.named_children[1] for p in pairs if key_names(p.named_children[0]) == (key,))
        elements = [child for child in node.named_children if child.type != "comment"]
        at = elements[-1].end_byte if elements else node.start_byte + 1
        # A list of a line for each element goes on so.
        indent = " " * elements[-1].start_point[1] if elements else ""
        broken = elements and elements[-1].start_point[0] > node.start_point[0]
        between = f",\n{indent}" if broken else ", " if elements else ""
        after = data[:at] + f"{between}{quoted(value)}".encode() + data[at:]
    edited = after.decode("utf-8")
    if not isinstance(old, list) or _read(edited) != before | {key: [*old, value]}:
        advice = f"add {quoted(value)} to {key} by hand"
        message = f"{key} cannot be changed automatically"
        raise ConfigError.of("toml-not-edited", path, message, advice)
    return edited


def _read(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None


def _merged(
    before: dict[str, Any], table: tuple[str, ...], values: Mapping[str, Any]
) -> dict[str, Any]:
    if not table:
        return {key: value for key, value in (before | dict(values)).items() if value is not None}
    below = before.get(table[0], {})
    inner = below if isinstance(below, dict) else {}
    return before | {table[0]: _merged(inner, table[1:], values)}


def _tables(root: Node, table: tuple[str, ...]) -> Iterator[Node]:
    for node in root.named_children:
        if node.type == "table" and key_names(node.named_children[0]) == table:
            yield node


def _added(data: bytes, table: tuple[str, ...], values: Mapping[str, Any]) -> bytes:
    head = f"[{'.'.join(map(key_text, table))}]\n" if table else ""
    return data.rstrip() + f"\n\n{head}{toml_text(_present(values))}".encode()


def _present(values: Mapping[str, Any]) -> Mapping[str, Any]:
    return {key: value for key, value in values.items() if value is not None}


def _changed(data: bytes, node: Node, values: Mapping[str, Any]) -> bytes:
    """Replace the pairs that are there, last first, and put new ones below the last pair."""
    pairs = [child for child in node.named_children if child.type == "pair"]
    there = {key_names(pair.named_children[0]): pair for pair in pairs}
    last = pairs[-1] if pairs else node.named_children[0]
    end = _line_end(data, last)
    new = {key: value for key, value in _present(values).items() if (key,) not in there}
    edits = [(end, end, toml_text(new).encode())]
    for key in values.keys() & {key for (key, *more) in there if not more}:
        pair = there[(key,)]
        if values[key] is None:
            edits.append((pair.start_byte, _line_end(data, pair), b""))
            continue
        line = toml_text({key: values[key]}).rstrip("\n")
        edits.append((pair.start_byte, pair.named_children[1].end_byte, line.encode()))
    for start, stop, words in sorted(edits, reverse=True):
        data = data[:start] + words + data[stop:]
    return data


def _line_end(data: bytes, node: Node) -> int:
    line_end = data.find(b"\n", node.end_byte)
    return len(data) if line_end < 0 else line_end + 1
