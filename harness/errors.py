"""All errors and findings of the tool, and the place that each points to.

One rule: an error names the situation, not the mechanism::

    HarnessError
    ├── InputError          a file that a person wrote cannot be used
    │   ├── TableError      a vector table
    │   ├── ConfigError     a shuttle, design, profile or rack file
    │   ├── FileUnusable    a path does not lead to a readable file
    │   └── BundleError     a bundle cannot be made or must not be trusted
    ├── LinkError           the board and the host could not communicate
    │   ├── PortUnavailable the serial port cannot be opened
    │   ├── BoardSilent     nothing came back in time
    │   ├── BoardMisbehaved the answer was not allowed by the protocol
    │   ├── BoardLost       the port disappeared while in use
    │   ├── HostMisuse      the host asked for something the protocol does not allow
    │   └── SupplyTrouble   the bench supply did not do what it was asked
    ├── TableUnfit          a board cannot run a table with its settings
    │   ├── Contention      controller and chip would drive a pin at the same time
    │   └── ModelMissing    a virtual chip has no model of the table's design
    ├── PinsOpen            nothing drives the outputs that a person tested by hand
    ├── NetlistError        a gate-level netlist cannot be read or evaluated
    ├── VirtualError        the virtual rack cannot be started
    ├── StoreError          results cannot be kept or read
    │   └── RunUnfit        a stored run does not exist or cannot be used here
    ├── PageUnavailable     the live page cannot be served
    ├── ToolFault           this program failed unexpectedly
    └── Cancelled           the person stopped the run

This module imports nothing of ours.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Self, TypeVar

T = TypeVar("T")
_BREAKS = re.compile("[\\x00-\\x1f\\x7f-\\x9f\\u2028\\u2029]")


def one_line(text: object) -> str:
    """Escape line breaks and other control characters in a text."""
    return _BREAKS.sub(lambda match: match.group().encode("unicode_escape").decode(), str(text))


_UNPRINTABLE = re.compile(
    "[\\x00-\\x08\\x0b-\\x1f\\x7f-\\x9f"  # controls except tab and newline
    "\\u061c\\u200e\\u200f\\u2028-\\u202e\\u2066-\\u2069"  # reorder or break a line, unseen
    "\\ud800-\\udfff\\ufdd0-\\ufdef\\ufffe\\uffff]"  # not characters
)


_FORMULA = re.compile("^(?=[ \\xa0]*[=+@\uff1d\uff0b\uff0d\uff20\\t\\r\\n-])")
"""Before what a formula begins with, in its full-width forms too."""


@dataclass(frozen=True, order=True)
class Location:
    """A place in a file. Lines and columns count from 1; 0 means the whole file."""

    path: Path
    line: int = 0
    column: int = 0

    def __str__(self) -> str:
        """Render as ``path:line:column``, without the parts that are not known.

        A file below the current folder is shown from there and any other by its whole path,
        however its path was reached: a listing has one form.
        """
        text = one_line(_shown(self.path))
        if self.line:
            text += f":{self.line}"
            if self.column:
                text += f":{self.column}"
        return text


def _shown(path: Path) -> Path:
    try:
        here = Path.cwd()
    except OSError:
        return path
    whole = Path(os.path.normpath(here / path))
    return whole.relative_to(here) if here.name and here in whole.parents else whole


class Severity(StrEnum):
    """How serious a finding is: an error prevents a run, a warning does not.

    A note says what the tool chose where a file leaves the choice to it.
    """

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong in a file, and what to do about it.

    ``rule`` is a short slug (``ragged-row``) that the reference pages explain.
    ``message`` says what is wrong, ``advice`` what to do; neither ends in a full stop.
    """

    rule: str
    location: Location
    message: str
    advice: str
    severity: Severity = Severity.ERROR

    def __str__(self) -> str:
        """Render as one line: place, severity, rule, message, advice."""
        text = one_line(f"{self.message}; {self.advice}")
        return f"{self.location}: {self.severity} [{self.rule}] {text}"


MAX_FINDINGS = 100
"""Maximum number of findings of one file that are kept; the rest are counted."""

MORE = "more-findings"
"""Rule of the finding that gives the number of the others."""


@dataclass
class Findings:
    """Collects findings, so that a reader can report them all instead of the first.

    Beyond :data:`MAX_FINDINGS` they are only counted, and the same fault in many rows is one
    finding with the number of rows.
    """

    kept: list[Finding] = field(default_factory=list)
    dropped: Counter[Severity] = field(default_factory=Counter)
    numbers: dict[Hashable, int] = field(default_factory=dict)
    more_rows: Counter[int] = field(default_factory=Counter)
    parts: dict[Path, Findings] = field(default_factory=dict)

    def of_file(self, path: Path) -> Findings:
        """Return the part for another file, so that no file's findings take the room of its own."""
        return self.parts.setdefault(path, Findings())

    def error(self, rule: str, location: Location, message: str, advice: str) -> None:
        """Add a finding that prevents a run."""
        self.extend([Finding(rule, location, message, advice)])

    def warn(self, rule: str, location: Location, message: str, advice: str) -> None:
        """Add a finding that does not prevent a run."""
        self.extend([Finding(rule, location, message, advice, Severity.WARNING)])

    def note(self, rule: str, location: Location, message: str, advice: str) -> None:
        """Add a finding about a choice of the tool."""
        self.extend([Finding(rule, location, message, advice, Severity.NOTE)])

    def extend(self, others: Iterable[Finding]) -> None:
        """Add the findings of another reader."""
        for finding in others:
            if len(self.kept) < MAX_FINDINGS or finding.rule == MORE:
                self.kept.append(finding)
            else:
                self.dropped[finding.severity] += 1

    def add_lazy(self, make: Callable[[], Finding], same: Hashable = None, rows: int = 1) -> None:
        """Add the error that ``make`` returns; it is not called when there is no room left.

        ``rows`` is the number of rows with this fault; they add up for equal values of ``same``.
        """
        if same is not None and same in self.numbers:
            self.more_rows[self.numbers[same]] += rows
        elif len(self.kept) < MAX_FINDINGS:
            self.numbers[same] = len(self.kept)
            self.more_rows[len(self.kept)] = rows - 1
            self.kept.append(make())
        else:
            self.dropped[Severity.ERROR] += rows

    @property
    def items(self) -> list[Finding]:
        """All findings in the order of arrival, and last the numbers left out, by file."""
        return [*self.shown(), *self.closing()]

    @property
    def in_order(self) -> list[Finding]:
        """All findings in file order, and last the numbers left out, by file."""
        return [*sorted(self.shown(), key=lambda item: item.location), *self.closing()]

    @property
    def errors(self) -> list[Finding]:
        """The findings that prevent a run."""
        return [item for item in self.items if item.severity is Severity.ERROR]

    def shown(self) -> Iterator[Finding]:
        """Yield the findings kept, in the order of arrival."""
        for number, finding in enumerate(self.kept):
            more = self.more_rows[number]
            if not more:
                yield finding
                continue
            message = f"{finding.message} (and in {many(more, 'more row')})"
            yield replace(finding, message=message)
        for part in self.parts.values():
            yield from part.shown()

    def closing(self) -> Iterator[Finding]:
        """Yield a finding for each file that has more than are kept."""
        if self.dropped:
            place = Location(self.kept[-1].location.path)
            message = f"{self.dropped.total():,} more not shown"
            worst = Severity.ERROR if self.dropped[Severity.ERROR] else Severity.WARNING
            yield Finding(MORE, place, message, "fix the ones above first", worst)
        for part in self.parts.values():
            yield from part.closing()


class HarnessError(Exception):
    """The root of all errors that the tool raises on purpose."""


class InputError(HarnessError):
    """A file that a person wrote cannot be used; carries every finding."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__("\n".join(str(finding) for finding in self.findings))

    @classmethod
    def of(cls, rule: str, path: Path, message: str, advice: str, line: int = 0) -> Self:
        """Make the error of one finding about a whole file, or a line of it."""
        return cls([Finding(rule, Location(path, line), message, advice)])

    @classmethod
    def unless_sound(cls, value: T | None, findings: list[Finding]) -> T:
        """Return what was read; raise the error of all findings when any is an error."""
        if value is None or Findings(findings).errors:
            raise cls(findings)
        return value


class TableError(InputError):
    """A vector table cannot be used."""


class ConfigError(InputError):
    """A shuttle, design, profile or rack file cannot be used."""


class FileUnusable(InputError):
    """A path does not lead to a readable file; carries one finding."""

    @property
    def finding(self) -> Finding:
        """The reason."""
        return self.findings[0]


class BundleError(InputError):
    """A bundle cannot be made from what is there, or was altered and must not be trusted."""


class LinkError(HarnessError):
    """The board and the host could not communicate. Never a verdict on a chip.

    ``port`` is the one that the text begins with, empty if it names none.
    """

    def __init__(self, message: str, port: str = "") -> None:
        self.message, self.port = message, port
        super().__init__(f"{port}: {message}" if port else message)

    def more(self, text: str) -> Self:
        """Make the same error with more to say."""
        return type(self)(f"{self.message}; {text}", self.port)

    def beside(self, port: str) -> str:
        """Give the text for a line that names this port already."""
        return self.message if port and port == self.port else str(self)


class PortUnavailable(LinkError):
    """The serial port is missing, busy or not permitted."""


class BoardSilent(LinkError):
    """Nothing came back from the board in time."""


class BoardMisbehaved(LinkError):
    """The board sent an answer that the protocol does not allow."""


class BoardLost(LinkError):
    """The port disappeared while in use (unplugged, reset, driver gone)."""


class HostMisuse(LinkError):
    """The host asked for something that the protocol does not allow."""


class SupplyTrouble(LinkError):
    """The bench supply could not be reached, or did not do what it was asked."""


class TableUnfit(HarnessError):
    """A board cannot run a table with its settings. Never a verdict on a chip."""


class Contention(TableUnfit):
    """Controller and chip would drive a pin at the same time. Never a verdict on a chip."""


class ModelMissing(TableUnfit):
    """A virtual chip has no working model of a table's design. Never a verdict on a chip."""


class PinsOpen(HarnessError):
    """Nothing drives the outputs that a person tested by hand. Never a verdict on a chip."""


class NetlistError(HarnessError):
    """A gate-level netlist cannot be read, synthesised or evaluated."""


class ClusterError(HarnessError):
    """A Dask cluster cannot be used, or a process that shared the work is lost."""


class VirtualError(HarnessError):
    """A virtual board or rack cannot be started."""


class StoreError(HarnessError):
    """Results cannot be kept or read back; control characters in paths are escaped."""

    def __init__(self, message: str, *below: str) -> None:
        super().__init__("\n".join(one_line(line) for line in (message, *below)))


class RunUnfit(StoreError):
    """A stored run does not exist or cannot be used for the request: wrong usage."""


class PageUnavailable(HarnessError):
    """The live page cannot be served at this address."""


class ToolFault(HarnessError):
    """This program failed unexpectedly. Never a verdict on a chip."""


class Cancelled(HarnessError):
    """The person stopped the run."""


NETLIST_COMMAND = "harness netlist"


def netlist_advice(design: str) -> str:
    """Return how to make the netlist of a design."""
    return f"make it with `{NETLIST_COMMAND} {design}` (needs pip install 'harness[synthesis]')"


def shuttle_words(folder: Path) -> tuple[str, ...]:
    """Return the option that names a shuttle's folder, unless it is the current folder."""
    whole = Path(os.path.abspath(folder))  # noqa: PTH100  asks no file system
    return () if whole == Path.cwd() else ("--shuttle", str(Location(whole)))


def many(number: int, noun: str) -> str:
    """``1 cycle``, ``12,000 cycles``."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def some(texts: Sequence[str], limit: int) -> str:
    """``a, b and 3 more``: the first of some texts, and the number of the others."""
    more = f" and {len(texts) - limit:,} more" if len(texts) > limit else ""
    return ", ".join(texts[:limit]) + more


def printable(text: str) -> str:
    """Replace characters that XML forbids or that are invisible with visible escapes."""
    return _UNPRINTABLE.sub(_escape, text)


def no_formula(text: str) -> str:
    """Put an apostrophe before text that a spreadsheet would take for a formula."""
    return _FORMULA.sub("'", text)


def _escape(match: re.Match[str]) -> str:
    code = ord(match.group())
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"
