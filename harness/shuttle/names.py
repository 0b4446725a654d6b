"""Names of pins and signals, and ranges of them (``in3..in0``).

One rule: a name consists of letters, digits and underscores and starts with a letter, so that it
can be a table column, a Verilog port and part of a file name.
"""

from __future__ import annotations

import re

from harness.errors import Location
from harness.shuttle.model import MAX_PINS
from harness.shuttle.tomlfile import TomlTable

RESERVED = ("repeat", "label", "note")
"""Table columns that are not signals; no signal may have one of these names."""

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_MODULE = re.compile(r"[A-Za-z_][A-Za-z0-9_$]*")
_SPELT = re.compile(r"([A-Za-z]\w*?)(\d+)\s*(?:-|–|—|:|~|\.{2,}|…|to)\s*(?:\1)?(\d+)")
_INDEXED = re.compile(r"([A-Za-z]\w*?)\[(\d+)\s*(?:-|:|\.{2,})\s*(\d+)\]")
"""Ranges as other languages write them."""
_ENDS = re.compile(r"(.*?)(\d+)")


def is_name(text: str) -> bool:
    """Tell whether a text can name a pin or a signal."""
    return _NAME.fullmatch(text) is not None


def is_module(text: str) -> bool:
    """Tell whether a text can name a Verilog module."""
    return _MODULE.fullmatch(text) is not None


def take_top(table: TomlTable, name: str) -> str:
    """Read the top module's name, or return ``name``; one that is none is a ``bad-top`` finding."""
    top = table.take("top", str, name)
    if top != name and not is_module(top):
        message = f"{top[:60]!r} cannot be the name of a Verilog module"
        advice = "write the name of the top module, or leave top out if it is the design's name"
        table.findings.error("bad-top", table.location("top"), message, advice)
    return top


def take_pins(table: TomlTable, key: str) -> tuple[tuple[str, Location], ...]:
    """Read a pin list under a key, with ranges expanded; each pin comes with its place.

    Invalid entries become ``bad-pin-name`` or ``bad-pin-range`` findings.
    """
    pins: list[tuple[str, Location]] = []
    for index, text in enumerate(table.strings(key)):
        place = table.location(key, index)
        names = expand_range(text)
        meant = _range_meant(text)
        if names is None or (meant and not is_name(text)):
            table.findings.error(
                "bad-pin-range",
                place,
                f'"{text[:60]}" is not a range of at most {MAX_PINS} pins',
                f'write "{meant}"'
                if meant
                else 'use the same prefix at both ends, such as "in0..in3"',
            )
            continue
        for name in names:
            if is_name(name):
                pins.append((name, place))
            else:
                bad_name(table, place, name)
    return tuple(pins)


def bad_name(table: TomlTable, place: Location, name: str) -> None:
    """Add the finding for a text that cannot be a name."""
    table.findings.error(
        "bad-pin-name",
        place,
        f'"{name[:60]}" is not a valid name',
        "use letters, digits and underscores, starting with a letter",
    )


def _range_meant(text: str) -> str:
    """Return the range that a text such as ``d0-d7`` or ``d[7:0]`` means; empty if it is none."""
    match = _SPELT.fullmatch(text.strip()) or _INDEXED.fullmatch(text.strip())
    if match is None:
        return ""
    prefix, first, last = match.groups()
    meant = f"{prefix}{first}..{prefix}{last}"
    return meant if expand_range(meant) and meant != text.strip() else ""


def expand_range(text: str) -> tuple[str, ...] | None:
    """Names in a range such as ``in3..in0``, in that order; a plain name is a range of one.

    None for an invalid range: two prefixes, no numbers, or more pins than a chip can have.
    """
    low, dots, high = (part.strip() for part in text.partition(".."))
    if not dots:
        return (low,)
    ends = _ENDS.fullmatch(low), _ENDS.fullmatch(high)
    if ends[0] is None or ends[1] is None or ends[0][1] != ends[1][1]:
        return None
    if max(len(end[2]) for end in ends if end) > 6:
        return None
    first, last = int(ends[0][2]), int(ends[1][2])
    step = 1 if last >= first else -1
    if abs(last - first) >= MAX_PINS:
        return None
    return tuple(f"{ends[0][1]}{number}" for number in range(first, last + step, step))
