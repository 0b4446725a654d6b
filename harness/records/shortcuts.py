"""Functions that encode and decode one kind of record quickly, made once from its annotations.

One rule: a shortcut never decides; what it does not take exactly as annotated is raised as
:class:`Unfit`, and the careful way in ``codec`` converts it or says what is wrong and where.
"""

from __future__ import annotations

import dataclasses
import functools
import math
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from enum import StrEnum
from operator import attrgetter, itemgetter
from typing import Any

Step = Callable[[Any], Any]
Check = Callable[[Any], bool]

_AS_IT_IS = (str, int, bool)


_FIELD_TYPES: dict[type[Any], dict[str, Any]] = {}
_ENCODERS: dict[type[Any], Step] = {}
_DECODERS: dict[type[Any], Step] = {}
_FINITE: dict[type[Any], Check | None] = {}


class Unfit(Exception):
    """A value is not exactly as annotated."""


def field_types(kind: type[Any]) -> Mapping[str, Any]:
    """Map the dataclass's fields, in order, to their resolved types."""
    if kind not in _FIELD_TYPES:
        hints = typing.get_type_hints(kind)
        _FIELD_TYPES[kind] = {f.name: hints[f.name] for f in dataclasses.fields(kind)}
    return _FIELD_TYPES[kind]


def defaulted(kind: type[Any]) -> set[str]:
    """Name the dataclass's fields with a default: records written before they came lack them."""
    return {f.name for f in dataclasses.fields(kind) if f.default is not dataclasses.MISSING}


def encoder(kind: type[Any]) -> Step:
    """Return what turns a record of this kind into a dict for JSON; raises Unfit if none can."""
    if kind not in _ENCODERS:
        _ENCODERS[kind] = _make_encoder(kind)
    return _ENCODERS[kind]


def decoder(kind: type[Any]) -> Step:
    """Return what turns a dict from JSON into a record of this kind; raises Unfit if none can."""
    if kind not in _DECODERS:
        _DECODERS[kind] = _make_decoder(kind)
    return _DECODERS[kind]


def finite(kind: type[Any]) -> Check | None:
    """Return what tells whether every float in a record is finite; None if it has no floats."""
    if kind not in _FINITE:
        _FINITE[kind] = _make_finite(kind)
    return _FINITE[kind]


def _make_encoder(kind: type[Any]) -> Step:
    names = tuple(field_types(kind))
    steps = [(name, _encode_step(hint)) for name, hint in field_types(kind).items()]
    changed = [(name, step) for name, step in steps if step is not None]
    values = _getter(attrgetter, names)

    def encode_record(record: Any) -> dict[str, Any]:
        found = dict(zip(names, values(record), strict=True))
        for name, step in changed:
            found[name] = step(found[name])
        return found

    return encode_record


def _make_decoder(kind: type[Any]) -> Step:
    hints = field_types(kind)
    size = len(hints)
    plain = tuple(name for name, hint in hints.items() if hint in (*_AS_IT_IS, float))
    plain_types = tuple(hints[name] for name in plain)
    steps = [(name, _decode_step(hint)) for name, hint in hints.items() if name not in plain]
    plain_values = _getter(itemgetter, plain)
    fill = filler(kind)

    def decode_record(given: Any) -> Any:
        # as many as wanted, and each that is wanted: a missing one raises KeyError below
        if type(given) is not dict or len(given) != size:
            raise Unfit
        if tuple(map(type, plain_values(given))) != plain_types:
            raise Unfit
        return fill(given, steps)

    return decode_record


Steps = Sequence[tuple[str, Step]]


def filler(kind: type[Any]) -> Callable[[dict[str, Any], Steps], Any]:
    """Return what makes a record of a value for every field, some of which need a step first.

    A frozen dataclass sets its fields one by one past its own guard, which takes longer than all
    the rest; where nothing but that happens in its constructor they are set all at once.
    """
    if hasattr(kind, "__post_init__") or hasattr(kind, "__slots__"):
        return lambda given, steps: kind(**{**given, **{n: step(given[n]) for n, step in steps}})

    def fill(given: dict[str, Any], steps: Steps) -> Any:
        record = object.__new__(kind)
        fields = record.__dict__
        fields.update(given)
        for name, step in steps:
            fields[name] = step(given[name])
        return record

    return fill


def _make_finite(kind: type[Any]) -> Check | None:
    found = [(name, _finite_step(hint)) for name, hint in field_types(kind).items()]
    floats = tuple(name for name, check in found if check is math.isfinite)
    inner = [
        (attrgetter(name), check)
        for name, check in found
        if check is not None and check is not math.isfinite
    ]
    if not floats and not inner:
        return None
    values = _getter(attrgetter, floats)

    def all_finite(record: Any) -> bool:
        for value in values(record):
            if not math.isfinite(value):
                return False
        return all(check(value(record)) for value, check in inner)

    return all_finite


def _finite_step(hint: Any) -> Check | None:
    if hint is float:
        return math.isfinite
    if isinstance(hint, type):
        return finite(hint) if dataclasses.is_dataclass(hint) else None
    check = _finite_step(_only_argument(hint))
    if check is None:
        return None
    if typing.get_origin(hint) is tuple:
        return lambda items: all(map(check, items))
    return lambda value: value is None or check(value)


def _getter(make: Callable[..., Step], names: tuple[str, ...]) -> Step:
    """Make what gets the named values as a tuple, for any number of names."""
    if len(names) >= 2:
        return make(*names)
    if not names:
        return lambda _: ()
    one = make(*names)
    return lambda record: (one(record),)


def _encode_step(hint: Any) -> Step | None:
    """What a value of this annotation needs; None if it stands in JSON as it is."""
    if hint in _AS_IT_IS:
        return None
    if hint is float:
        return _encode_float
    if hint is datetime:
        return datetime.isoformat
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return attrgetter("value")
    if dataclasses.is_dataclass(hint):
        return encoder(typing.cast("type[Any]", hint))
    inner = _only_argument(hint)
    step = _encode_step(inner)
    if typing.get_origin(hint) is tuple:
        return list if step is None else lambda items: [step(item) for item in items]
    return step and (lambda value: None if value is None else step(value))


def _encode_float(value: float) -> float | str:
    return value if math.isfinite(value) else str(value)


def _decode_step(hint: Any) -> Step:
    if hint in (*_AS_IT_IS, float):
        return functools.partial(_exactly, hint)
    if hint is datetime:
        return datetime.fromisoformat
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return {member.value: member for member in hint}.__getitem__
    if dataclasses.is_dataclass(hint):
        return decoder(typing.cast("type[Any]", hint))
    step = _decode_step(_only_argument(hint))
    if typing.get_origin(hint) is tuple:
        return lambda items: tuple([step(item) for item in items]) if _exactly(list, items) else ()
    return lambda value: None if value is None else step(value)


def _only_argument(hint: Any) -> Any:
    """Return X of ``tuple[X, ...]`` and of ``X | None``; raises Unfit for any other annotation."""
    arguments = [a for a in typing.get_args(hint) if a not in (types.NoneType, Ellipsis)]
    if typing.get_origin(hint) not in (tuple, types.UnionType) or len(arguments) != 1:
        raise Unfit
    return arguments[0]


def _exactly(kind: type[Any], value: Any) -> Any:
    if type(value) is not kind:
        raise Unfit
    return value
