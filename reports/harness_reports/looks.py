"""Verdicts and facts as pages show them: a word with a shape, a term with a value.

The one rule: a shape is one of those in ``shapes.svg.jinja``, so colour is never needed.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from markupsafe import Markup, escape

from harness.errors import printable
from harness.records import SEVERITY_ORDER, Verdict

_NAMES = re.compile(
    r"(?<![^\s(])[^\s(]++(?= \(pin )"  # lt (pin out1)
    r"|(?<=\bpin )[^\s()]++ \([^\s()]++\)"  # pin out1 (lt)
    r"|(?<![\w.-])[\w.-]++ ?/ ?[\w.-]++(?=[:,])"  # cmp85 / directed:
    r"|\b[a-z_]++\d++\b(?:\[[\d:]++\])?"  # in3, out5, crc16
)
"""Names of pins, signals and tables in a sentence, which may look like words: ``lt``, ``a``.

Each begins where a word does and gives nothing back: a long word takes no longer than its letters.
"""


@dataclass(frozen=True)
class Look:
    """A verdict as it is shown: its word, and the name of its shape and colour in the style."""

    word: str
    shape: str


@dataclass(frozen=True)
class Tally:
    """How many tables, or chips, got a verdict."""

    look: Look
    number: int


@dataclass(frozen=True)
class Fact:
    """A term with its value.

    ``kind`` is ``text``, ``code`` for what is compared by eye, or ``named`` for a sentence with
    names of pins in it.
    """

    term: str
    value: str
    kind: str = "text"


def look(verdict: Verdict | None) -> Look:
    """Give the word and shape of a verdict, None where nothing was judged yet."""
    if verdict is None:
        return Look("NOT JUDGED", "not-run")
    return Look(verdict.value, verdict.value.lower().replace(" ", "-"))


def tally_text(verdicts: Iterable[Verdict | None]) -> str:
    """``2 FAIL, 32 PASS``: worst first."""
    return ", ".join(f"{item.number:,} {item.look.word}" for item in tally(verdicts))


def tally(verdicts: Iterable[Verdict | None]) -> tuple[Tally, ...]:
    """Count verdicts, worst first and None last, leaving out those with no count."""
    counts = Counter(verdicts)
    return tuple(Tally(look(v), counts[v]) for v in (*SEVERITY_ORDER, None) if counts[v])


def coded(text: str) -> Markup:
    """Write a sentence with the names of pins, signals and tables in it set apart as code."""
    parts, end = [], 0
    for name in _NAMES.finditer(text):
        parts += [escape(printable(text[end : name.start()])), Markup("<code>")]
        parts += [escape(printable(name.group())), Markup("</code>")]
        end = name.end()
    return Markup("").join([*parts, escape(printable(text[end:]))])
