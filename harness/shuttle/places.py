"""The place of every key in a TOML text, from one walk over its syntax tree.

One rule: this module knows positions, never values, which come from ``tomllib``. It gets only
texts that ``tomllib`` has accepted. A path is the tuple of keys (and of indices,
for arrays) that leads to a value: ``("tables", "count", "latency", "q")``, ``("waiver", 0)``.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator

import tree_sitter_toml
from tree_sitter import Language, Node, Parser

KeyPath = tuple[str | int, ...]
Place = tuple[int, int]

_LANGUAGE = Language(tree_sitter_toml.language())


def find_places(text: str) -> dict[KeyPath, Place]:
    """Map every key path of a TOML text to its (line, character column), both from 1.

    Elements of an array are mapped to their places. The empty path is line 1, column 1.
    """
    data = text.encode("utf-8")
    walk = _Walk(data.split(b"\n"))
    walk.below((), parse_tree(data))
    return walk.places


def parse_tree(data: bytes) -> Node:
    """Return the root of the syntax tree of a TOML text."""
    return Parser(_LANGUAGE).parse(data).root_node


def key_names(node: Node) -> tuple[str, ...]:
    """Return the names of a key: one for ``a``, two for ``a.b``."""
    return tuple(name for name, _ in _key_parts(node))


class _Walk:
    """The state of one walk: the places so far and the length of each array of tables."""

    def __init__(self, lines: list[bytes]) -> None:
        self.lines = lines
        self.places: dict[KeyPath, Place] = {(): (1, 1)}
        self.lengths: dict[KeyPath, int] = {}
        self.last = (0, 0, 1)  # row, byte, column: counting goes on from here

    def below(self, base: KeyPath, node: Node) -> None:
        """Walk the keys that a node of the tree defines below a path."""
        for child in node.named_children:
            if child.type == "pair":
                key, *_, value = child.named_children
                self.value(self.follow(base, _key_parts(key)), value)
            elif child.type == "table":
                self.below(self.follow((), _key_parts(child.named_children[0])), child)
            elif child.type == "table_array_element":
                self.below(self.element(child.named_children[0]), child)

    def element(self, key: Node) -> KeyPath:
        """Begin a new element of an array of tables."""
        *front, (name, part) = _key_parts(key)
        base = self.follow((), front)
        array = (*base, name)
        self.lengths[array] = self.lengths.get(array, 0) + 1
        path = self.step(base, name, part)
        self.mark(path, part)
        return path

    def value(self, path: KeyPath, node: Node) -> None:
        if node.type == "inline_table":
            self.below(path, node)
        elif node.type == "array":
            elements = [child for child in node.named_children if child.type != "comment"]
            for index, child in enumerate(elements):
                self.mark((*path, index), child)
                self.value((*path, index), child)

    def follow(self, base: KeyPath, parts: Iterable[tuple[str, Node]]) -> KeyPath:
        """Walk a possibly dotted key and mark each part."""
        for name, part in parts:
            base = self.step(base, name, part)
        return base

    def step(self, base: KeyPath, name: str, node: Node) -> KeyPath:
        path = (*base, name)
        self.mark(path, node)
        if path in self.lengths:
            return (*path, self.lengths[path] - 1)
        return path

    def mark(self, path: KeyPath, node: Node) -> None:
        """Keep the first place of a path, in characters."""
        row, byte = node.start_point
        before, start, column = self.last
        if row != before or byte < start:
            start, column = 0, 1
        column += len(self.lines[row][start:byte].decode("utf-8", "replace"))
        self.last = row, byte, column
        self.places.setdefault(path, (row + 1, column))


def _key_parts(node: Node) -> Iterator[tuple[str, Node]]:
    """The names of a key with their nodes: one for ``a``, two for ``a.b``."""
    if node.type == "dotted_key":
        for child in node.named_children:
            yield from _key_parts(child)
        return
    text = (node.text or b"").decode("utf-8")
    name = next(iter(tomllib.loads(f"{text}=0"))) if node.type == "quoted_key" else text
    yield name, node
