"""What is kept but cannot be read: one damaged record never hides the others.

One rule: damage is told as damage, with its place, and stands for something untested; it is
neither a verdict on a chip nor a fault of this program.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from harness.errors import StoreError
from harness.records import CodecError, Verdict, decode, to_value

RESTORE = "restore the store from a backup"

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


def from_body(kind: type[Any], body: Any, place: str) -> Any:
    """Make a record of what a body says; raises CodecError or RecursionError if it is none."""
    if isinstance(body, Unreadable):
        raise CodecError(body.why)
    return decode(kind, body, place)


def verdict_of(word: object) -> Verdict:
    """Return a verdict as it is kept; a word that is none says nothing about a chip: ERROR."""
    return _VERDICTS.get(word, Verdict.ERROR) if isinstance(word, str) else Verdict.ERROR


@contextmanager
def undamaged(place: str) -> Iterator[None]:
    """Turn whatever values of the wrong kind lead to, while rows are read, into a StoreError."""
    try:
        yield
    except (ValueError, TypeError, LookupError, ArithmeticError, AttributeError) as error:
        message = f"{place}: what is kept is damaged ({error}); {RESTORE}"
        raise StoreError(message) from error
    except RecursionError as error:
        message = f"{place}: what is kept is damaged (nested too deeply); {RESTORE}"
        raise StoreError(message) from error
