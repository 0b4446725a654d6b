"""Reads the test vectors of a JESD3 file (JEDEC Standard No. 3).

One rule: any bytes give a file or findings with their places. Fields of device programming are
left out and counted. The grammar, after the standard; white space around a field is ignored::

    file   := STX text "*" field* ETX checksum      the text says what the file is for
    field  := letter character* "*"
    V      := "V" number delimiter condition+       one vector; conditions are in pin order
    P      := "P" (delimiter number)+               the pin of each condition, first to last
    X      := "X0" | "X1"                           level of an input with the condition X
    N      := "N" character*                        a comment
    Q      := "QP" number | "QV" number | "QF" number      pins, vectors at most, fuses
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from harness.convert.jesd3_frame import SPACE, unframed
from harness.errors import Finding, Findings, Location, Severity, many
from harness.shuttle import place_of_offset

MAX_JESD3_BYTES = 32_000_000
"""Maximum size of a JESD3 file, which is read as a whole."""
MAX_VECTORS = 500_000
"""Maximum number of vectors of a file, read or written."""
MAX_PACKAGE_PINS = 999
MAX_NOTES = 1000
"""Maximum number of comments that are kept, besides those in front of a vector."""
MAX_NOTE = 200
"""Maximum length of a comment that is kept."""

_NAMES = {
    "A": "access time",
    "C": "fuse checksum",
    "D": "device type",
    "E": "electrical fuses",
    "F": "default fuse state",
    "G": "security fuse",
    "J": "device identification",
    "L": "fuse list",
    "QF": "number of fuses",
    "R": "resulting vector",
    "S": "starting vector",
    "T": "test cycles",
    "U": "user data",
}
_DEVICE = frozenset(("C", "D", "E", "F", "G", "J", "L", "QF", "U"))
"""Fields of device programming, which say nothing about a test."""

_VECTOR = re.compile(rb"V([0-9]{1,9})[ \t\r\n]+([^*]*)")
_PINS = re.compile(rb"P(?:[ \t\r\n]*[0-9]{1,3})(?:[ \t\r\n]+[0-9]{1,3})*")
_VALUE = re.compile(rb"(Q[FPV])[ \t\r\n]*([0-9]{1,9})")
_SOUND = re.compile(rb"[01CKHLZFXN]+")
_UNSUPPORTED = dict.fromkeys("BP", "a preload") | dict.fromkeys("23456789", "a supervoltage")


@dataclass(frozen=True, eq=False)
class Jesd3File:
    """The vectors of a file, in the order of their numbers.

    ``symbols`` are conditions in ASCII, ``(vectors, conditions)``; ``order`` has the pin number of
    each condition. ``default`` is the level of an input with ``X``, empty if the file has none.
    ``labels`` are the comments right in front of a vector, by row; ``notes`` are the others.
    ``left_out`` counts the fields of each kind that were left out. ``offsets`` are the first bytes
    of the vectors.
    """

    path: Path
    data: bytes = field(repr=False)
    order: tuple[int, ...]
    symbols: NDArray[np.uint8]
    offsets: NDArray[np.int64]
    default: str
    heading: str
    notes: tuple[str, ...]
    labels: Mapping[int, str]
    left_out: Mapping[str, int]

    def place(self, row: int) -> Location:
        """Return the place of a vector."""
        return place_of_offset(self.path, self.data, int(self.offsets[row]))

    @property
    def omissions(self) -> str:
        """What was left out, as ``6 fields L (fuse list), 1 field C (fuse checksum)``."""
        return ", ".join(
            f"{many(count, 'field')} {_named(kind)}" for kind, count in self.left_out.items()
        )


def read_jesd3(data: bytes, path: Path) -> tuple[Jesd3File | None, list[Finding]]:
    """Read a file's bytes; there is no file if any finding is an error. Never raises."""
    reader = _Reader(path, data)
    body = unframed(data, reader.error, reader.warn)
    file = None
    if not reader.findings.errors:
        reader.fields(body)
        file = reader.file()
    return (None if reader.findings.errors else file), reader.findings.in_order


@dataclass
class _Reader:
    """What was read so far. Vectors are conditions and offset by number."""

    path: Path
    data: bytes
    findings: Findings = field(default_factory=Findings)
    vectors: dict[int, tuple[bytes, int]] = field(default_factory=dict)
    labels: dict[int, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)
    values: dict[str, int] = field(default_factory=dict)
    order: tuple[int, ...] = ()
    default: str = ""
    heading: str = ""
    comment: str = ""

    def fields(self, body: range) -> None:
        """Read every field; the first is the heading, which has no letter."""
        begin, number = body.start, 0
        while (end := self.data.find(b"*", begin, body.stop)) >= 0:
            text = self.data[begin:end]
            if number == 0:
                self.heading = _plain(text)
            elif text.strip(SPACE):
                self.field(text.strip(SPACE), end - len(text.lstrip(SPACE)))
            begin, number = end + 1, number + 1
        rest = self.data[begin : body.stop].lstrip(SPACE)
        if rest or not number:
            message = "the last field does not end with *"
            advice = "end it with *, or get the whole file"
            self.error("jesd3-field", body.stop - len(rest), message, advice)
        self.keep_comment()

    def field(self, text: bytes, place: int) -> None:
        """Read one field, without white space around it; a comment is held back for a vector."""
        if text[:1] != b"V":
            self.keep_comment()
        _READERS.get(text[:1], _Reader.other)(self, text, place)

    def vector(self, text: bytes, place: int) -> None:
        match = _VECTOR.fullmatch(text)
        if match is None or not match[2]:
            message = f"{_shown(text)} is not a vector"
            self.error("jesd3-vector", place, message, "write V, its number, a space, conditions")
            return
        number, conditions = int(match[1]), match[2].translate(None, SPACE)
        if _SOUND.fullmatch(conditions) is None:
            self.bad_symbol(text, match.start(2), number, place)
        elif number not in self.vectors and len(self.vectors) == MAX_VECTORS:
            message = f"the file has more than {MAX_VECTORS:,} vectors"
            self.error("jesd3-too-long", place, message, "split it", same="too long")
        else:
            if number in self.vectors:
                message = f"vector {number} occurs twice; the last one counts"
                self.warn("jesd3-vector-twice", place, message, "give every vector its own number")
            self.vectors[number] = conditions, place
            self.labels.pop(number, None)
            if self.comment:
                self.labels[number], self.comment = self.comment, ""

    def bad_symbol(self, text: bytes, start: int, number: int, place: int) -> None:
        """Report the first condition of a vector that no table can have."""
        at = next(k for k in range(start, len(text)) if text[k] not in b"01CKHLZFXN" + SPACE)
        position = len(text[start:at].translate(None, SPACE)) + 1
        symbol = _shown(text[at : at + 1])
        message, rule = f"vector {number}: condition {position} is {symbol}", "unknown-symbol"
        if chr(text[at]) in _UNSUPPORTED:
            asks, rule = _UNSUPPORTED[chr(text[at])], "unsupported-symbol"
            message += f", which asks for {asks}; no pin driver here supports it"
        advice = "conditions are 0 1 C K H L Z F X N"
        self.error(rule, place + at, message, advice, same=(symbol, position))

    def pins(self, text: bytes, place: int) -> None:
        fits = len(text) < MAX_PACKAGE_PINS * 8 and _PINS.fullmatch(text)
        self.order = tuple(map(int, text[1:].split())) if fits else ()
        if not self.order or 0 in self.order or len(set(self.order)) < len(self.order):
            message = f"{_shown(text)} is not a list of distinct pin numbers"
            advice = f"write P and the pin of each condition, at most {MAX_PACKAGE_PINS}"
            self.error("jesd3-pins", place, message, advice)

    def level(self, text: bytes, place: int) -> None:
        if text not in {b"X0", b"X1"}:
            message = f"{_shown(text)} is not a default test condition"
            self.error("jesd3-value", place, message, "write X0 or X1")
        self.default = text[-1:].decode("ascii", "replace")

    def note(self, text: bytes, _place: int) -> None:
        self.comment = _plain(text[1:])

    def keep_comment(self) -> None:
        """Keep a comment that no vector follows at once."""
        if self.comment and len(self.notes) < MAX_NOTES:
            self.notes.append(self.comment)
        self.comment = ""

    def value(self, text: bytes, place: int) -> None:
        match = _VALUE.fullmatch(text)
        if match is None:
            message = f"{_shown(text)} is not a number of pins, vectors or fuses"
            self.error("jesd3-value", place, message, "write QP, QV or QF and a number")
        elif match[1] == b"QF":
            self.left_out["QF"] += 1
        else:
            self.values[match[1].decode()] = int(match[2])

    def other(self, text: bytes, place: int) -> None:
        """Leave a field out, with a warning if it might be part of the test."""
        kind = _plain(text[:1])
        self.left_out[kind] += 1
        if kind not in _DEVICE:
            message = f"field {_named(kind)} is left out, because a table has nothing like it"
            self.warn("jesd3-left-out", place, message, "check that the test needs no such field")

    def file(self) -> Jesd3File | None:
        """Put the vectors into their order; None after an error."""
        numbers = sorted(self.vectors)
        if not numbers:
            if not self.findings.errors:
                message = "the file has no test vectors (V fields)"
                self.error("jesd3-no-vectors", 0, message, "name a file with vectors")
            return None
        self.check_numbers(numbers)
        order = self.check_width(numbers)
        if self.findings.errors:
            return None
        whole = b"".join(self.vectors[number][0] for number in numbers)
        rows = {number: row for row, number in enumerate(numbers)}
        return Jesd3File(
            path=self.path,
            data=self.data,
            order=order,
            symbols=np.frombuffer(whole, np.uint8).reshape(len(numbers), len(order)),
            offsets=np.array([self.vectors[number][1] for number in numbers]),
            default=self.default,
            heading=self.heading,
            notes=tuple(self.notes),
            labels={rows[number]: self.labels[number] for number in sorted(self.labels)},
            left_out=dict(self.left_out),
        )

    def check_numbers(self, numbers: list[int]) -> None:
        """Compare with QV, and warn about a gap: a vector may have been lost."""
        most = self.values.get("QV", len(numbers))
        if len(numbers) > most:
            message = f"the file has {many(len(numbers), 'vector')}, but QV says at most {most:,}"
            self.error("jesd3-value", 0, message, "correct QV, or get an undamaged file")
        gap = next((k for k, n in enumerate(numbers, numbers[0]) if k != n), None)
        if gap is not None:
            after = numbers[gap - numbers[0]]
            message = f"vector {gap} is missing: vector {after} follows at once"
            self.warn("jesd3-gap", self.vectors[after][1], message, "check that none was lost")

    def check_width(self, numbers: list[int]) -> tuple[int, ...]:
        """Return the pin of each condition; every vector must have one for each."""
        wide = self.values.get("QP", len(self.order) or len(self.vectors[numbers[0]][0]))
        if wide > MAX_PACKAGE_PINS or len(self.order) not in {0, wide}:
            listed = f" and P lists {len(self.order)}" if self.order else ""
            message = f"the file has {many(wide, 'pin')}{listed}"
            self.error("jesd3-pins", 0, message, f"list each pin once, at most {MAX_PACKAGE_PINS}")
            return ()
        for number in numbers:
            conditions, place = self.vectors[number]
            if len(conditions) != wide:
                count = many(len(conditions), "condition")
                message = f"vector {number} has {count} for {many(wide, 'pin')}"
                self.error("jesd3-vector", place, message, "write one for each", same="width")
        return self.order or tuple(range(1, wide + 1))

    def error(self, rule: str, offset: int, message: str, advice: str, same: object = None) -> None:
        self._add(Severity.ERROR, rule, offset, message, advice, same)

    def warn(self, rule: str, offset: int, message: str, advice: str) -> None:
        self._add(Severity.WARNING, rule, offset, message, advice, rule)

    def _add(
        self, severity: Severity, rule: str, offset: int, message: str, advice: str, same: object
    ) -> None:
        """Add a finding; its place takes a search of the file, made only if it is kept."""
        self.findings.add_lazy(
            lambda: Finding(
                rule, place_of_offset(self.path, self.data, offset), message, advice, severity
            ),
            None if same is None else (rule, same),
        )


_READERS: Mapping[bytes, Callable[[_Reader, bytes, int], None]] = {
    b"V": _Reader.vector,
    b"P": _Reader.pins,
    b"X": _Reader.level,
    b"N": _Reader.note,
    b"Q": _Reader.value,
}


def _named(kind: str) -> str:
    return f"{kind} ({_NAMES[kind]})" if kind in _NAMES else kind


def _plain(text: bytes) -> str:
    """Return a comment in one line of printable ASCII, cut to its maximum length."""
    words = text[: MAX_NOTE * 4].decode("ascii", "replace").split()
    return "".join(c if " " <= c <= "~" else "?" for c in " ".join(words))[:MAX_NOTE]


def _shown(text: bytes) -> str:
    """Return the beginning of a field in quotes."""
    plain = _plain(text)
    return f'"{plain[:30]}…"' if len(plain) > 30 else f'"{plain}"'
