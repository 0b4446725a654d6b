"""A record as indented JSON text, made straight from its fields.

The one rule: the text is that of ``json.dumps(encode(record), indent=1, allow_nan=False)``, byte
for byte. What a field holds beside its annotation is left to those two.
"""

from __future__ import annotations

import json
import math
import types
import typing
from collections.abc import Callable
from datetime import datetime
from enum import StrEnum
from functools import cache, partial
from json.encoder import encode_basestring_ascii as quoted
from operator import attrgetter
from typing import Any

from harness.records import encode, field_types

Writer = Callable[[Any], str]


def record_text(record: Any, depth: int) -> str:
    """Return the JSON text of a record whose braces stand ``depth`` columns from the left."""
    kind: Any = type(record)
    return _writer(kind, "\n" + " " * depth)(record)


@cache
def _writer(hint: Any, line: str) -> Writer:
    """Return what writes values of this annotation; the last line begins with ``line``."""
    if hint in _PLAIN:
        return _PLAIN[hint]
    origin = typing.get_origin(hint)
    if origin is tuple:
        return partial(_items, _writer(typing.get_args(hint)[0], line + " "), line)
    if origin is types.UnionType:
        (inner,) = (a for a in typing.get_args(hint) if a is not types.NoneType)
        write = _writer(inner, line)
        return lambda value: "null" if value is None else write(value)
    if issubclass(hint, StrEnum):
        texts = {id(member): quoted(member.value) for member in hint}
        return lambda value: texts.get(id(value)) or _any(value, line)
    return _record_writer(hint, line)


def _record_writer(kind: type[Any], line: str) -> Writer:
    deeper = line + " "
    hints = field_types(kind)
    if len(hints) < 2:  # of one field a getter gives no tuple
        return lambda record: _any(record, line)
    values = attrgetter(*hints)
    writers = [_writer(hint, deeper) for hint in hints.values()]
    template = "{" + ",".join(f"{deeper}{quoted(name)}: %s" for name in hints) + line + "}"

    def write_record(record: Any) -> str:
        if type(record) is not kind:
            return _any(record, line)
        pairs = zip(writers, values(record), strict=True)
        return template % tuple([write(value) for write, value in pairs])

    return write_record


def _items(write: Writer, line: str, items: Any) -> str:
    if type(items) is not tuple:
        return _any(items, line)
    if not items:
        return "[]"
    deeper = line + " "
    return f"[{deeper}{f',{deeper}'.join(map(write, items))}{line}]"


def _any(value: Any, line: str = "\n") -> str:
    """Write any value the slow way; a line break within a text is no line break in JSON."""
    return json.dumps(encode(value), indent=1, allow_nan=False).replace("\n", line)


def _text(value: Any) -> str:
    return quoted(value) if type(value) is str else _any(value)


def _whole(value: Any) -> str:
    return repr(value) if type(value) is int else _any(value)


def _number(value: Any) -> str:
    return repr(value) if type(value) is float and math.isfinite(value) else _any(value)


def _flag(value: Any) -> str:
    return ("true" if value else "false") if type(value) is bool else _any(value)


def _moment(value: Any) -> str:
    return quoted(value.isoformat()) if type(value) is datetime else _any(value)


_PLAIN: dict[Any, Writer] = {
    str: _text,
    int: _whole,
    float: _number,
    bool: _flag,
    datetime: _moment,
}
