"""Records to JSON values and back, and the JSON Schema of both, by the records' own annotations.

One rule: :data:`_PLAIN` and :func:`schema_of` define what a record may contain, for both directions
at once; nothing here knows a record by name, so a new field needs no code. Reading is strict: an
unknown, missing or mistyped field is refused with its place (``run.chips[2].slot``). Only a field
with a default may be missing: it was added later. Numbers that JSON has no notation for are the
strings ``nan``, ``inf`` and ``-inf``.
"""

from __future__ import annotations

import dataclasses
import json
import math
import operator
import types
import typing
from collections.abc import Callable
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, TypeVar

import cattrs
import orjson
from cattrs.cols import homogenous_tuple_structure_factory
from cattrs.errors import (
    ClassValidationError,
    ForbiddenExtraKeysError,
    IterableValidationError,
)
from cattrs.gen import make_dict_structure_fn, make_dict_unstructure_fn

JsonValue = bool | int | float | str | list[Any] | dict[str, Any] | None

T = TypeVar("T")
Schemas = dict[str, Any]

_NOT_IN_JSON = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}


class CodecError(ValueError):
    """A JSON value does not fit the record; the message starts with its place."""


def encode(record: object) -> JsonValue:
    """Turn a record into values that ``json.dumps`` takes unchanged.

    Raises TypeError for a record with a field of a type that records may not have.
    """
    value: JsonValue = _CONVERTER.unstructure(record)
    return value


def decode(kind: type[T], value: JsonValue, place: str) -> T:
    """Turn a JSON value into a record of this kind. Raises CodecError."""
    try:
        return _CONVERTER.structure(value, kind)
    except (ValueError, cattrs.BaseValidationError) as error:
        raise CodecError(_complaint(error, place)) from error


def to_text(value: object) -> str:
    """Return JSON text; raises TypeError for what has no JSON.

    Any text can be kept, also a lone surrogate, which is how Python shows an odd byte in a file's
    name; the fast library refuses that, so the standard one writes it.
    """
    return _quickly(value) or json.dumps(value, allow_nan=False)


def to_lines(value: object) -> str:
    """Return indented JSON text; raises TypeError for what has no JSON.

    ASCII only, since terminals obey some of the other characters.
    """
    text = _quickly(value, orjson.OPT_INDENT_2)
    return text if text and text.isascii() else json.dumps(value, indent=2, allow_nan=False)


def _quickly(value: object, option: int = 0) -> str:
    """Return JSON text, or none for a lone surrogate or an integer of more than 64 bits."""
    try:
        return orjson.dumps(value, option=option).decode()
    except TypeError:  # orjson.JSONEncodeError is one
        return ""


def to_value(text: str | bytes) -> Any:
    """Return the value of JSON text. Raises CodecError."""
    try:
        return orjson.loads(text)
    except orjson.JSONDecodeError:
        return _by_python(text)


def _by_python(text: str | bytes) -> Any:
    """Return what orjson does not read, such as NaN and integers of more than 64 bits."""
    try:
        return json.loads(text)
    except RecursionError as error:
        raise CodecError("its values are nested too deeply") from error
    except (ValueError, TypeError) as error:
        raise CodecError(f"it is not JSON: {error}") from error


def rewritten(value: T, change: Callable[[str], str]) -> T:
    """Return a record with its texts changed; words of an enum stay."""
    return typing.cast("T", _rewritten(value, change))


def blank(kind: type[T], /, **known: Any) -> T:
    """Return a record with these fields; the others are empty texts, zeros and None."""
    hints = typing.get_type_hints(kind)
    empty = {name: _empty(hint) for name, hint in hints.items() if name not in known}
    return kind(**empty, **known)


def schema_of(kind: Any, definitions: Schemas) -> dict[str, Any]:
    """Return the JSON Schema of an annotation; those of records are put into ``definitions``.

    Raises TypeError for what a record may not contain.
    """
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if kind in _PLAIN:
        return _PLAIN[kind].schema
    if origin is tuple and arguments[1:] == (Ellipsis,):
        return {"type": "array", "items": schema_of(arguments[0], definitions)}
    if origin is types.UnionType and len(arguments) == 2 and arguments[1] is types.NoneType:
        return {"anyOf": [schema_of(arguments[0], definitions), {"type": "null"}]}
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return {"enum": [member.value for member in kind]}
    if dataclasses.is_dataclass(kind):
        return _schema_of_record(typing.cast("type[Any]", kind), definitions)
    raise TypeError(f"{getattr(kind, '__name__', kind)} cannot be part of a record")


def _schema_of_record(kind: type[Any], definitions: Schemas) -> dict[str, Any]:
    if kind.__name__ not in definitions:
        definitions[kind.__name__] = {}
        hints = typing.get_type_hints(kind)
        fields = dataclasses.fields(kind)
        definitions[kind.__name__] = {
            "description": (kind.__doc__ or "").split("\n\n")[0],
            "type": "object",
            "properties": {f.name: schema_of(hints[f.name], definitions) for f in fields},
            "required": [f.name for f in fields if f.default is dataclasses.MISSING],
            "additionalProperties": False,
        }
    return {"$ref": f"#/$defs/{kind.__name__}"}


def _empty(hint: Any) -> Any:
    if typing.get_origin(hint) is tuple:
        return ()
    return None if typing.get_origin(hint) is types.UnionType else hint()


def _rewritten(value: Any, change: Callable[[str], str]) -> Any:
    """Change texts; a value in which nothing changes is returned itself, however large it is."""
    if type(value) is str:
        new = change(value)
        return value if new == value else new
    if type(value) is tuple:
        items = tuple([_rewritten(item, change) for item in value])
        return value if all(map(operator.is_, items, value)) else items
    if not dataclasses.is_dataclass(value):
        return value
    olds = {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    news = {name: _rewritten(old, change) for name, old in olds.items()}
    changes = {name: new for name, new in news.items() if new is not olds[name]}
    return dataclasses.replace(value, **changes) if changes else value  # type: ignore[type-var]


def _complaint(error: Exception, place: str) -> str:
    """Describe one error: unknown or missing fields first, then the first wrong value."""
    if isinstance(error, IterableValidationError):
        inner, item = error.group_exceptions()[0][0]
        return _complaint(inner, f"{place}[{item.index}]")
    if not isinstance(error, ClassValidationError):
        return f"{place}: {error}"
    of_fields, others = error.group_exceptions()
    unknown = [name for e in others if isinstance(e, ForbiddenExtraKeysError)
               for name in e.extra_fields]  # fmt: skip
    missing = [note.name for e, note in of_fields if isinstance(e, KeyError)]
    for what, names in (("unknown", unknown), ("missing", missing)):
        if names:
            return f"{place}: {what} field {', '.join(sorted(names))}"
    if not of_fields:  # each field may have its value, but not all of them together
        return f"{place}: {others[0]}"
    wrong, field = of_fields[0]
    return _complaint(wrong, f"{place}.{field.name}")


def _exactly(kind: type[T], value: object) -> T:
    # bool is an int to Python, but not to a reader of JSON
    if type(value) is not kind:
        raise ValueError(f"expected {kind.__name__}, got {type(value).__name__}")
    return value


def _read_float(value: object, _: object) -> float:
    if type(value) is float:
        return value
    if isinstance(value, str) and value in _NOT_IN_JSON:
        return _NOT_IN_JSON[value]
    try:
        return float(value) if type(value) is int else _exactly(float, value)
    except OverflowError as error:
        raise ValueError(str(error)) from error


def _read_time(value: object, _: object) -> datetime:
    time = datetime.fromisoformat(_exactly(str, value))
    if time.tzinfo is None:
        raise ValueError(f"the time {value} has no offset from UTC")
    try:
        time.astimezone(UTC)
    except OverflowError as error:
        raise ValueError(f"the time {value} has no date in UTC") from error
    return time


def _write_float(value: float) -> float | str:
    return value if math.isfinite(value) else str(value)


@dataclasses.dataclass(frozen=True)
class _Plain:
    """A kind of value: its JSON Schema, and how one is read and written."""

    schema: Schemas
    read: Callable[[Any, Any], Any]
    write: Callable[[Any], Any]


def _as_it_is(kind: type[Any], word: str) -> _Plain:
    return _Plain({"type": word}, lambda value, _: _exactly(kind, value), cattrs.fns.identity)


_PLAIN = {
    str: _as_it_is(str, "string"),
    int: _as_it_is(int, "integer"),
    bool: _as_it_is(bool, "boolean"),
    float: _Plain(
        {"anyOf": [{"type": "number"}, {"enum": [*_NOT_IN_JSON]}]}, _read_float, _write_float
    ),
    datetime: _Plain({"type": "string", "format": "date-time"}, _read_time, datetime.isoformat),
}


def _reader(kind: Any, converter: cattrs.Converter) -> Callable[[Any, Any], Any]:
    schema_of(kind, {})  # refuses unknown types
    fields = make_dict_structure_fn(kind, converter, _cattrs_forbid_extra_keys=True)
    return lambda value, _: fields(_exactly(dict, value), kind)


def _writer(kind: Any, converter: cattrs.Converter) -> Callable[[Any], Any]:
    schema_of(kind, {})
    return make_dict_unstructure_fn(kind, converter)


def _items_reader(kind: Any, converter: cattrs.Converter) -> Callable[[Any, Any], Any]:
    items = homogenous_tuple_structure_factory(kind, converter)
    return lambda value, _: items(_exactly(list, value), kind)


def _is_tuple(kind: Any) -> bool:
    return typing.get_origin(kind) is tuple


def _converter() -> cattrs.Converter:
    converter = cattrs.Converter(unstruct_collection_overrides={tuple: list})
    for kind, plain in _PLAIN.items():
        converter.register_structure_hook(kind, plain.read)
        converter.register_unstructure_hook(kind, plain.write)
    converter.register_structure_hook(StrEnum, lambda value, kind: kind(_exactly(str, value)))
    converter.register_unstructure_hook(StrEnum, operator.attrgetter("value"))
    converter.register_structure_hook_factory(_is_tuple, _items_reader)
    converter.register_structure_hook_factory(dataclasses.is_dataclass, _reader)
    converter.register_unstructure_hook_factory(dataclasses.is_dataclass, _writer)
    return converter


_CONVERTER = _converter()
