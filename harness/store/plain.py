"""Records to plain JSON values and back, guided by the records' own type hints.

One rule: what goes in comes out equal; a field that a record does not have is refused.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Hashable, Mapping, Sequence
from datetime import datetime
from enum import Enum
from functools import cache
from typing import Any, TypeVar

Record = TypeVar("Record")


def to_plain(value: object) -> Any:
    """Turn a record into dicts, lists, strings and numbers; datetimes become ISO 8601 texts."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: to_plain(getattr(value, field.name)) for field in dataclasses.fields(value)
        }
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, (tuple, list)):
        return [to_plain(item) for item in value]
    return value


def from_plain(kind: type[Record], plain: Mapping[str, Any]) -> Record:
    """Make a record of class ``kind`` from what :func:`to_plain` gave.

    Raises TypeError for a missing or unknown field and ValueError for a value out of range.
    """
    hints = _hints(typing.cast("Hashable", kind))
    unknown = sorted(set(plain) - set(hints))
    if unknown:
        message = f"{kind.__name__} has no field {', '.join(unknown)}"
        raise TypeError(message)
    return kind(**{name: _restore(hints[name], value) for name, value in plain.items()})


@cache
def _hints(kind: Hashable) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def _restore(hint: Any, value: Any) -> Any:
    if value is None:
        return None
    origin = typing.get_origin(hint)
    if origin in (typing.Union, types.UnionType):
        hint = next(arg for arg in typing.get_args(hint) if arg is not types.NoneType)
        origin = typing.get_origin(hint)
    if origin is tuple:
        return _restore_tuple(typing.get_args(hint)[0], value)
    if dataclasses.is_dataclass(hint):
        return from_plain(typing.cast("type[object]", hint), value)
    if isinstance(hint, type) and issubclass(hint, Enum):
        return hint(value)
    if hint is datetime:
        return datetime.fromisoformat(value)
    return value


def _restore_tuple(hint: Any, values: Sequence[Any]) -> tuple[Any, ...]:
    return tuple(_restore(hint, value) for value in values)
