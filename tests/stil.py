"""Reads STIL (IEEE Std 1450-1999) back into what is driven and tested, to check what is exported.

The one rule: nothing of the exporter is used. The grammar is our own reading of the standard
(from memory, and from the introduction to the syntax that its working group published); there is no
independent parser in the package registries. Only what is in the grammar below is known, and
everything else is an error::

    file        := "STIL" "1.0" ";" block*
    block       := "Header" "{" (("Title" | "Date" | "Source") string ";")* "}"
                 | "Signals" "{" (name ("In" | "Out" | "InOut" | "Supply" | "Pseudo") ";")* "}"
                 | "SignalGroups" "{" (name "=" "'" name ("+" name)* "'" ";")* "}"
                 | "Timing" [name] "{" ("WaveformTable" name "{" table "}")* "}"
                 | "PatternBurst" name "{" "PatList" "{" (name ";")* "}" "}"
                 | "PatternExec" [name] "{" (("Timing" | "PatternBurst") name ";")* "}"
                 | "Pattern" name "{" statement* "}"
    table       := "Period" time ";" "Waveforms" "{" (name "{" (character "{" event* "}")* "}")* "}"
    event       := time ("D" | "U" | "Z" | "L" | "H" | "T" | "X") ";"
    statement   := ("W" | "WaveformTable") name ";"
                 | ("V" | "Vector") "{" (name "=" character+ ";")* "}"
                 | "Loop" count "{" statement* "}"
                 | "MatchLoop" count "{" statement+ "}"
    time        := "'" decimal ("s" | "ms" | "us" | "ns" | "ps") "'"

``Ann {* text *}`` may stand anywhere between statements. A name is a word that is not reserved, or
any text in double quotes. The events of a waveform are in the order of their times.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

RESERVED = frozenset(
    """
    Alignment Ann Base BreakPoint C Call Category CompareHigh CompareHighWindow CompareLow
    CompareLowWindow CompareOff CompareOffWindow CompareUnknown CompareValid
    CompareValidWindow Condition DataBitCount Date Dec DefaultState Duration ExpectHigh
    ExpectLow ExpectOff F ForceDown ForceOff ForcePrior ForceUnknown ForceUp Goto Header Hex
    History IddqTestPoint IfNeed In Include Infinite InheritWaveform InheritWaveformTable
    InOut LogicHigh LogicLow LogicZ Loop LSB Macro MacroDefs Marker MatchLoop Max Meas Min MSB
    Out PatList Pattern PatternBurst PatternExec Period Procedures Pseudo ScanCells ScanChain
    ScanIn ScanInversion ScanLength ScanMasterClock ScanOut ScanOutLength ScanSlaveClock
    ScanStructures Selector Shift SignalGroups Signals Source Spec Start STIL Stop
    SubWaveforms Supply TerminateHigh TerminateLow TerminateOff TerminateUnknown Termination
    Timing TimeUnit Title Typ UserFunctions UserKeywords V Variable Vector W WaveformTable
    Waveforms
    """.split()  # noqa: SIM905 - a list would take eighty lines
)
_TOKEN = re.compile(
    r"""(?P<space>\s+|//[^\n]*|/\*.*?\*/|Ann\s*\{\*(?P<note>.*?)\*\})
    |(?P<string>"[^"\n]{1,1024}")|(?P<expression>'[^'\n]*')
    |(?P<word>[A-Za-z0-9_.]+)|(?P<mark>[{};=])""",
    re.VERBOSE | re.DOTALL,
)
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,1023}")
_TIME = re.compile(r"'([0-9]+(?:\.[0-9]+)?)(s|ms|us|ns|ps)'")
_UNITS = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9, "ps": 10**12}
KINDS = frozenset(("In", "Out", "InOut", "Supply", "Pseudo"))
ALLOWED = {"In": "DUZ", "Out": "LHTX", "InOut": "DUZLHTX"}

Events = tuple[tuple[Fraction, str], ...]
Row = tuple[str, int, Mapping[str, str]]
"""``V``, ``Loop`` or ``MatchLoop``; times; group → characters."""


class NotStil(Exception):
    """The text does not follow the grammar."""


@dataclass
class Stil:
    """What a file says."""

    titles: dict[str, str] = field(default_factory=dict)
    signals: dict[str, str] = field(default_factory=dict)
    groups: dict[str, tuple[str, ...]] = field(default_factory=dict)
    period: Fraction = Fraction(0)
    waveforms: dict[str, dict[str, Events]] = field(default_factory=dict)
    """By signal."""
    rows: list[Row] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    named: dict[str, set[str]] = field(default_factory=dict)
    used: dict[str, set[str]] = field(default_factory=dict)


def read_stil(text: str) -> Stil:
    """Read a file; raises NotStil."""
    reader = _Reader(text)
    reader.file()
    stil = reader.stil
    if any(names - stil.named.get(kind, set()) for kind, names in stil.used.items()):
        raise NotStil(f"names that are used but not defined: {stil.used}, {stil.named}")
    return stil


class _Reader:
    def __init__(self, text: str) -> None:
        self.stil = Stil()
        self.tokens = list(self._tokens(text))
        self.at = 0

    def _tokens(self, text: str) -> Iterator[str]:
        at = 0
        while at < len(text):
            match = _TOKEN.match(text, at)
            if match is None or not text.isascii():
                raise NotStil(f"no token at {text[at : at + 20]!r}")
            at = match.end()
            if match["note"] is not None:
                self.stil.notes.append(match["note"].strip())
            if match["space"] is None:
                yield match[0]

    def look(self) -> str:
        return self.tokens[self.at] if self.at < len(self.tokens) else ""

    def take(self) -> str:
        self.at += 1
        return self.tokens[self.at - 1]

    def expect(self, *words: str) -> None:
        for word in words:
            if self.take() != word:
                raise NotStil(f"{word} expected near {self.tokens[max(0, self.at - 8) : self.at]}")

    def name(self) -> str:
        token = self.take()
        if token[0] == '"':
            return token[1:-1]
        if _NAME.fullmatch(token) is None or token in RESERVED:
            raise NotStil(f"{token} is not a name")
        return token

    def number(self) -> int:
        token = self.take()
        if not token.isdigit() or int(token) < 1:
            raise NotStil(f"{token} is not a count")
        return int(token)

    def time(self) -> Fraction:
        match = _TIME.fullmatch(self.take())
        if match is None:
            raise NotStil("no time")
        return Fraction(match[1]) / _UNITS[match[2]]

    def until_closed(self, item: Callable[[], None]) -> None:
        """``"{" item* "}"``."""
        self.expect("{")
        while self.look() != "}":
            item()
        self.expect("}")

    def define(self, kind: str) -> str:
        name = self.name()
        if name in self.stil.named.setdefault(kind, set()):
            raise NotStil(f"{kind} {name} twice")
        self.stil.named[kind].add(name)
        return name

    def use(self, kind: str) -> str:
        name = self.name()
        self.stil.used.setdefault(kind, set()).add(name)
        return name

    def file(self) -> None:
        self.expect("STIL", "1.0", ";")
        blocks = {
            "Header": lambda: self.until_closed(self.heading),
            "Signals": lambda: self.until_closed(self.signal),
            "SignalGroups": lambda: self.until_closed(self.group),
            "Timing": self.timing,
            "PatternBurst": self.burst,
            "PatternExec": lambda: self.until_closed(self.execution),
            "Pattern": self.pattern,
        }
        while self.look():
            word = self.take()
            if word not in blocks:
                raise NotStil(f"{word} begins no block")
            blocks[word]()

    def heading(self) -> None:
        word, text = self.take(), self.take()
        if word not in {"Title", "Date", "Source"} or text[0] != '"':
            raise NotStil("no heading")
        self.stil.titles[word] = text[1:-1]
        self.expect(";")

    def signal(self) -> None:
        name, kind = self.define("signal or group"), self.take()
        if kind not in KINDS:
            raise NotStil(f"{kind} is no kind of signal")
        self.stil.signals[name] = kind
        self.expect(";")

    def group(self) -> None:
        name = self.define("signal or group")
        self.expect("=")
        parts = _Reader(self.take().strip("'").replace("+", ";"))
        members = [parts.name()]
        while parts.look():
            parts.expect(";")
            members.append(parts.name())
        if not set(members) <= self.stil.signals.keys() or len(set(members)) < len(members):
            raise NotStil(f"group {name} has no such signals")
        self.stil.groups[name] = tuple(members)
        self.expect(";")

    def members(self, name: str) -> tuple[str, ...]:
        found = self.stil.groups.get(name) or ((name,) if name in self.stil.signals else ())
        if not found:
            raise NotStil(f"{name} is neither signal nor group")
        return found

    def timing(self) -> None:
        self.define("timing")
        self.expect("{", "WaveformTable")
        self.define("waveform table")
        self.expect("{", "Period")
        self.stil.period = self.time()
        self.expect(";", "Waveforms")
        self.until_closed(self.waveforms)
        self.expect("}", "}")

    def waveforms(self) -> None:
        members = self.members(self.name())
        self.until_closed(lambda: self.waveform(members))

    def waveform(self, members: tuple[str, ...]) -> None:
        symbol = self.take()
        if re.fullmatch("[A-Za-z0-9]", symbol) is None:
            raise NotStil(f"{symbol} is no waveform character")
        events: list[tuple[Fraction, str]] = []
        self.until_closed(lambda: self.event(events))
        if not events or any(a[0] >= b[0] for a, b in pairwise(events)):
            raise NotStil(f"the events of {symbol} are in no order")
        for member in members:
            known = self.stil.waveforms.setdefault(member, {})
            allowed = ALLOWED[self.stil.signals[member]]
            if symbol in known or not {event for _, event in events} <= set(allowed):
                raise NotStil(f"{symbol} of {member} is there twice, or has other events")
            known[symbol] = tuple(events)

    def event(self, events: list[tuple[Fraction, str]]) -> None:
        time, event = self.time(), self.take()
        if event not in "DUZLHTX" or time >= self.stil.period:
            raise NotStil(f"{event} is no event of this cycle")
        events.append((time, event))
        self.expect(";")

    def burst(self) -> None:
        self.define("burst")
        self.expect("{", "PatList")

        def listed() -> None:
            self.use("pattern")
            self.expect(";")

        self.until_closed(listed)
        self.expect("}")

    def execution(self) -> None:
        self.use({"Timing": "timing", "PatternBurst": "burst"}[self.take()])
        self.expect(";")

    def pattern(self) -> None:
        self.define("pattern")
        self.until_closed(self.statement)
        if not self.stil.used.get("waveform table"):
            raise NotStil("a vector before W")

    def statement(self) -> None:
        word = self.take()
        if word in {"W", "WaveformTable"}:
            self.use("waveform table")
            self.expect(";")
        elif word in {"V", "Vector"}:
            self.stil.rows.append(("V", 1, self.vector()))
        elif word in {"Loop", "MatchLoop"}:
            times = self.number()
            self.expect("{")
            if self.take() not in {"V", "Vector"}:
                raise NotStil("only loops of one vector are known here")
            self.stil.rows.append((word, times, self.vector()))
            self.expect("}")
        else:
            raise NotStil(f"{word} begins no statement")

    def vector(self) -> Mapping[str, str]:
        values: dict[str, str] = {}

        def assigned() -> None:
            name = self.name()
            self.expect("=")
            values[name] = self.take()
            if len(values[name]) != len(self.members(name)):
                raise NotStil(f"{values[name]} has not a character for each signal of {name}")
            self.expect(";")

        self.until_closed(assigned)
        return values
