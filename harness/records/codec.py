"""Records to JSON values and back, driven by the dataclasses' own annotations.

The one rule: nothing here knows a record by name, so a new field needs no code, and reading is
strict: an unknown, missing or mistyped field is refused with its place (``run.chips[2].slot``).
Only a field with a default may be missing: it is younger than the record.
Numbers that JSON has no notation for are the strings ``nan``, ``inf`` and ``-inf``.
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Callable, Mapping
from datetime import datetime
from enum import StrEnum
from typing import Any

import orjson

from harness.records.jsontext import to_text
from harness.records.shortcuts import Unfit, decoder, defaulted, encoder, field_types, finite

JsonValue = bool | int | float | str | list[Any] | dict[str, Any] | None

_NOT_IN_JSON = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}


class CodecError(ValueError):
    """A JSON value does not fit the record that is wanted; the text starts with its place."""


def encode(value: object) -> JsonValue:
    """Turn a record into values that ``json.dumps`` takes unchanged."""
    if dataclasses.is_dataclass(value):
        return _encode_record(value)
    if isinstance(value, tuple):
        return [encode(item) for item in value]
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, StrEnum):
        return value.value
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    msg = f"{type(value).__name__} cannot stand in a record"
    raise TypeError(msg)


def to_body(record: object) -> str:
    """Return the JSON text of a record: that of what :func:`encode` makes of it, without it."""
    try:
        check = finite(type(record))
        if check is None or check(record):
            return orjson.dumps(record).decode()
    except (Unfit, TypeError):  # the careful way takes it, or says what is wrong
        pass
    return to_text(encode(record))


def _encode_record(value: Any) -> JsonValue:
    try:
        found: dict[str, Any] = encoder(type(value))(value)
    except (Unfit, AttributeError, TypeError):
        return {name: encode(getattr(value, name)) for name in field_types(type(value))}
    return found


def decode(kind: type[Any], value: JsonValue, place: str) -> Any:
    """Turn a JSON value into ``kind``, a dataclass or the type of one of its fields.

    Raises CodecError.
    """
    if dataclasses.is_dataclass(kind):
        try:
            return decoder(kind)(value)
        except (Unfit, KeyError, TypeError, ValueError):
            return _decode(kind, value, place)
    return _decode(kind, value, place)


def _decode(kind: type[Any], value: JsonValue, place: str) -> Any:
    if dataclasses.is_dataclass(kind):
        return _decode_record(kind, value, place)
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin is types.UnionType:
        (inner,) = (argument for argument in arguments if argument is not types.NoneType)
        return None if value is None else _decode(inner, value, place)
    if origin is tuple:
        items = _expect(list, value, place)
        return tuple(_decode(arguments[0], item, f"{place}[{k}]") for k, item in enumerate(items))
    if issubclass(kind, StrEnum):
        return _convert(kind, _expect(str, value, place), place)
    return _PLAIN[kind](value, place)


def _decode_record(kind: type[Any], value: JsonValue, place: str) -> Any:
    given = _expect(dict, value, place)
    wanted = field_types(kind)
    _refuse("unknown field", given.keys() - wanted.keys(), place)
    _refuse("missing field", wanted.keys() - given.keys() - defaulted(kind), place)
    found = {
        name: _decode(t, given[name], f"{place}.{name}")
        for name, t in wanted.items()
        if name in given
    }
    return kind(**found)


def _refuse(what: str, names: set[str], place: str) -> None:
    if names:
        msg = f"{place}: {what} {', '.join(sorted(names))}"
        raise CodecError(msg)


def _expect(kind: type[Any], value: JsonValue, place: str) -> Any:
    # bool is an int to Python, but not to a reader of JSON
    if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
        msg = f"{place}: {kind.__name__} wanted, {type(value).__name__} found"
        raise CodecError(msg)
    return value


def _convert(make: Callable[[str], Any], text: str, place: str) -> Any:
    try:
        return make(text)
    except ValueError as reason:
        msg = f"{place}: {reason}"
        raise CodecError(msg) from reason


def _large(value: int, place: str) -> float:
    try:
        return float(value)
    except OverflowError as reason:
        raise CodecError(f"{place}: {reason}") from reason


def _decode_float(value: JsonValue, place: str) -> float:
    if isinstance(value, str) and value in _NOT_IN_JSON:
        return _NOT_IN_JSON[value]
    if isinstance(value, int) and not isinstance(value, bool):
        return _large(value, place)
    return float(_expect(float, value, place))


_PLAIN: Mapping[type, Callable[[JsonValue, str], Any]] = {
    str: lambda value, place: _expect(str, value, place),
    int: lambda value, place: _expect(int, value, place),
    bool: lambda value, place: _expect(bool, value, place),
    float: _decode_float,
    datetime: lambda value, place: _convert(
        datetime.fromisoformat, _expect(str, value, place), place
    ),
}
