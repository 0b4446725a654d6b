"""Takes out of texts what must stay in the lab: user names, host paths, addresses with passwords.

The one rule: what is taken out is replaced by a word in angle brackets, never dropped, so that a
reader sees that something stood there. Names of serial devices stay: they tell of no person.
"""

from __future__ import annotations

import dataclasses
import operator
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import cache, cached_property
from typing import Any, TypeVar

from harness.store import Origin, Verdict, field_types

Record = TypeVar("Record")

PATH, ADDRESS, USER, PASSWORD = "<path>", "<address>", "<user>", "<password>"

_URL = re.compile(
    r"""\b([A-Za-z][A-Za-z0-9+.-]*)://((?:[^\s/@]*@)?[^\s"'<>]+(?:["'][^\s"'<>,]*@[^\s"'<>]+)?)"""
)
_DSN = re.compile(r"(?i)\b(\w*(?:password|passwd))=('[^']*'|[^\s;&,\"')]+)")
_END = r"""[^\s"'`<>|:;,()\[\]{}/\\]"""
_ROOTS = (
    "builds|data|etc|export|home|lab|labs|media|mnt|net|nfs|opt|private|proc|root|run|scratch|srv|"
    "tmp|usr|var|work|workspace|Library|Users|Volumes"
)
_POSIX = re.compile(
    rf"(?<![\w./\\<>-])/(?:(?:home|Users)/{_END}+(?: {_END}+(?=/))?|(?:{_ROOTS})(?=/|\b))"
    rf"(?:/+{_END}*)*"
)
_WINDOWS = re.compile(rf"(?<!\w)[A-Za-z]:[\\/]+(?:{_END}+(?: {_END}+)*[\\/]+)*{_END}+")
_SHARE = re.compile(rf"(?<![\\\w])\\\\{_END}+(?:\\+{_END}+)+")
_NO_TEXT = (bool, int, float, datetime, Verdict, Origin)
_HOMES = {"home", "Users", "users"}

COMMON_NAMES = {"admin", "build", "builder", "lab", "pi", "root", "runner", "test", "user"}
"""Account names that tell nothing of a person, and are words in texts."""


@dataclass(frozen=True)
class Scrubber:
    """Takes secrets out. ``names`` are words and ``folders`` path beginnings of this computer.

    Names of fewer than three letters and :data:`COMMON_NAMES` are left alone.
    """

    names: tuple[str, ...] = ()
    folders: tuple[str, ...] = ()

    def text(self, text: str) -> str:
        """Return the text without secrets."""
        found = _URL.sub(_address, text)
        found = _DSN.sub(rf"\1={PASSWORD}", found)
        for pattern in (*self._folders, _POSIX, _WINDOWS, _SHARE):
            found = pattern.sub(_path, found)
        return self._names.sub(USER, found) if self._names else found

    def record(self, record: Record) -> Record:
        """Return a copy of a frozen record with every text in it scrubbed.

        The same texts come back in many places of a record: each is looked through once.
        """
        found: Record = self._value(record, cache(self.text))
        return found

    def _value(self, value: Any, text: Callable[[str], str]) -> Any:
        """Scrub a value; where nothing is to be taken out the same value comes back."""
        kind: Any = type(value)
        if kind is str:
            new = text(value)
            return value if new == value else new  # an equal text may be another object
        if kind is tuple:
            items = [self._value(item, text) for item in value]
            return value if all(map(operator.is_, items, value)) else tuple(items)
        fields = _fields(kind)
        if fields is None:
            return value
        changes: dict[str, Any] = {}
        olds = fields.texts_of(value)
        news = tuple(map(text, olds))
        if news != olds:
            pairs = zip(fields.texts, olds, news, strict=True)
            changes = {name: new for name, old, new in pairs if new != old}
        for name in fields.more:
            old = getattr(value, name)
            if old is None or old == ():
                continue
            new = self._value(old, text)
            if new is not old:
                changes[name] = new
        return dataclasses.replace(value, **changes) if changes else value

    @cached_property
    def _folders(self) -> tuple[re.Pattern[str], ...]:
        wanted = sorted({f.rstrip("/\\") for f in self.folders}, key=len, reverse=True)
        return tuple(
            re.compile(rf"(?<![\w./\\<>-]){re.escape(folder)}(?:[/\\]+{_END}*)*")
            for folder in wanted
            if len(folder) > 1
        )

    @cached_property
    def _names(self) -> re.Pattern[str] | None:
        return _words(n for n in self.names if len(n) >= 3 and n.lower() not in COMMON_NAMES)


@dataclass(frozen=True)
class _Fields:
    """The fields of a record that are texts, and those that may hold some inside."""

    texts: tuple[str, ...]
    more: tuple[str, ...]
    texts_of: Callable[[object], tuple[str, ...]]


@cache
def _fields(kind: type[Any]) -> _Fields | None:
    """Sort a record's fields; None for a value that is no record."""
    if not dataclasses.is_dataclass(kind):
        return None
    hints = field_types(kind)
    texts = tuple(name for name, hint in hints.items() if hint is str)
    more = tuple(n for n, hint in hints.items() if hint is not str and hint not in _NO_TEXT)
    if len(texts) >= 2:
        return _Fields(texts, more, operator.attrgetter(*texts))
    return _Fields(texts, more, lambda record: tuple(getattr(record, name) for name in texts))


def _words(names: Iterable[str]) -> re.Pattern[str] | None:
    escaped = [re.escape(name) for name in sorted(set(names), key=len, reverse=True)]
    return re.compile(rf"(?<!\w)(?:{'|'.join(escaped)})(?!\w)") if escaped else None


def _address(match: re.Match[str]) -> str:
    """Keep a web address without its user; of any other address keep the scheme."""
    scheme, rest = match.groups()
    if scheme.lower() not in {"http", "https"}:
        return f"{scheme}://{ADDRESS}"
    end = re.search(r"[/?#]", rest)
    host = rest[: end.start()] if end else rest
    if "@" not in host:
        return match.group()
    return f"{scheme}://{USER}@{host.rsplit('@', 1)[1]}{rest[len(host) :]}"


def _path(match: re.Match[str]) -> str:
    """Keep the last part of a path, unless it is the name of somebody's folder."""
    parts = [part for part in re.split(r"[/\\]+", match.group()) if part]
    if len(parts) < 2 or parts[-2] in _HOMES:
        return PATH
    return f"{PATH}/{parts[-1]}"
