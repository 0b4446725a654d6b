"""Stored data that cannot be read: one damaged record never hides the others.

One rule: damage is reported as damage, with its place, and counts as untested; it is neither a
verdict on a chip nor a fault of this program.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy import Row

from harness.errors import StoreError
from harness.records import CodecError, Verdict, blank, decode, to_value

RESTORE = "restore the store from a backup"

T = TypeVar("T")

StandIn = Callable[[CodecError], Mapping[str, Any]]
"""Gives the fields of a record that replaces one with this damage."""

_VERDICTS = {verdict.value: verdict for verdict in Verdict}


@dataclass(frozen=True)
class Unreadable:
    """Replaces a body that is not JSON; no record is made of it."""

    why: str


def value_or_damage(text: Any) -> Any:
    """Return the value of a body's JSON, or :class:`Unreadable`, so that other rows are read."""
    try:
        return to_value(text)
    except CodecError as error:
        return Unreadable(str(error))


def read_body(
    kind: type[T], body: Any, word: str, known: Mapping[str, Any], stand_in: StandIn
) -> T:
    """Make the record of a body, called ``word`` in messages; its row has what is ``known`` of it.

    A record that is damaged, or disagrees with its row, is replaced by one with the known fields
    and those of ``stand_in``.
    """
    try:
        return _record(kind, body, word, known)
    except CodecError as error:
        return blank(kind, **known, **stand_in(error))


def read_row(kind: type[T], row: Row[Any], word: str, known: Iterable[str], stand_in: StandIn) -> T:
    """Make the record of a row by its ``body``, as :func:`read_body`; its other columns are known.

    ``known`` names those that the record has as well.
    """
    columns = {name: row._mapping[name] for name in known}  # noqa: SLF001 - a public name
    return read_body(kind, row.body, word, columns, stand_in)


def _record(kind: type[T], body: Any, word: str, known: Mapping[str, Any]) -> T:
    if isinstance(body, Unreadable):
        raise CodecError(body.why)
    record = decode(kind, body, word)
    for name, value in known.items():
        if getattr(record, name) != value:
            raise CodecError(f"{word}.{name}: not what its row has")
    return record


def verdict_of(word: object) -> Verdict:
    """Return a stored verdict; ERROR, which says nothing about a chip, for any other word."""
    return _VERDICTS.get(word, Verdict.ERROR) if isinstance(word, str) else Verdict.ERROR


_DAMAGE = ValueError, TypeError, LookupError, ArithmeticError, AttributeError, RecursionError


@contextmanager
def undamaged(place: str) -> Iterator[None]:
    """Turn every error caused by values of the wrong kind in rows into a StoreError."""
    try:
        yield
    except _DAMAGE as error:
        why = "nested too deeply" if isinstance(error, RecursionError) else error
        raise StoreError(f"{place}: stored data is damaged ({why}); {RESTORE}") from error
