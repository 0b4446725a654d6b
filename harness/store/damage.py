"""What is kept but cannot be read: one damaged record never hides the others.

One rule: damage is told as damage, with its place, and stands for something untested; it is
neither a verdict on a chip nor a fault of this program.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

from harness.errors import StoreError
from harness.records import CodecError, Verdict, blank, decode, to_value

RESTORE = "restore the store from a backup"

T = TypeVar("T")

StandIn = Callable[[CodecError], Mapping[str, Any]]
"""Says what is told of a record that is damaged like this."""

_VERDICTS = {verdict.value: verdict for verdict in Verdict}


@dataclass(frozen=True)
class Unreadable:
    """Stands for a body that is no JSON; no record is made of it."""

    why: str


def value_or_damage(text: Any) -> Any:
    """Return what a body's JSON says, or :class:`Unreadable`: the other rows are read on."""
    try:
        return to_value(text)
    except RecursionError:
        return Unreadable("its values are nested too deeply")
    except (ValueError, TypeError) as error:
        return Unreadable(f"it is no JSON: {error}")


def read_body(
    kind: type[T], body: Any, word: str, known: Mapping[str, Any], stand_in: StandIn
) -> T:
    """Make the record of a body, called ``word`` in texts; its row says what is ``known`` of it.

    One that is damaged, or belongs elsewhere than its row says, is a record of which only that is
    known, and what ``stand_in`` says of it.
    """
    try:
        return _record(kind, body, word, known)
    except CodecError as error:
        return blank(kind, **known, **stand_in(error))


def _record(kind: type[T], body: Any, word: str, known: Mapping[str, Any]) -> T:
    if isinstance(body, Unreadable):
        raise CodecError(body.why)
    record = decode(kind, body, word)
    for name, value in known.items():
        if getattr(record, name) != value:
            raise CodecError(f"{word}.{name}: not what its row says")
    return record


def verdict_of(word: object) -> Verdict:
    """Return a verdict as it is kept; a word that is none says nothing about a chip: ERROR."""
    return _VERDICTS.get(word, Verdict.ERROR) if isinstance(word, str) else Verdict.ERROR


_DAMAGE = ValueError, TypeError, LookupError, ArithmeticError, AttributeError, RecursionError


@contextmanager
def undamaged(place: str) -> Iterator[None]:
    """Turn whatever values of the wrong kind lead to, while rows are read, into a StoreError."""
    try:
        yield
    except _DAMAGE as error:
        why = "nested too deeply" if isinstance(error, RecursionError) else error
        raise StoreError(f"{place}: what is kept is damaged ({why}); {RESTORE}") from error
