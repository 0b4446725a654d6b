"""A simulated bench supply: answers SCPI as a small instrument would.

One rule: lines in, lines out, no port. Written from the standards and apart from the client in
``harness.supply``, so that each is a check of the other: program headers in their long and short
forms (SCPI-99 volume 1, section 6.2), NR3 replies (IEEE 488.2-1992, section 8.7.4), an error queue
with the numbers of SCPI-99 volume 2, chapter 21 (their texts from memory but for -113 and -222).
What it delivers, and its load, are invented.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable

MAX_VOLTS, MAX_AMPERES = 30.0, 3.0
LOAD_OHMS = 150.0
QUEUE = 16
IDENTITY = "Low Tide Silicon Club,Virtual supply,0,1"

_DECIMAL = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(\s*[Ee]\s*[+-]?\d+)?", re.ASCII)
_TEXTS = {
    0: "No error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -222: "Data out of range",
    -350: "Queue overflow",
}
_LEVELS = "[:LEVel][:IMMediate][:AMPLitude]"


class _Refused(Exception):
    """A message cannot be carried out; carries the number of its error."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(_TEXTS[number])


class ScpiSupply:
    """The instrument as it was left: at ``volts``, switched on.

    ``terminals`` is called with the voltage at the terminals when it changes.
    """

    def __init__(self, volts: float, terminals: Callable[[float], None]) -> None:
        self._terminals = terminals
        self._volts, self._amperes, self._on = volts, MAX_AMPERES, True
        self._errors: deque[int] = deque()
        self._commands: list[tuple[re.Pattern[str], Callable[[str], str | None]]] = [
            (_header("*IDN?"), lambda _: IDENTITY),
            (_header("*CLS"), self._clear),
            (_header("*RST"), self._reset),
            (_header("SYSTem:ERRor[:NEXT]?"), self._next_error),
            (_header(f"[SOURce:]VOLTage{_LEVELS}?"), lambda _: _nr3(self._volts)),
            (_header(f"[SOURce:]VOLTage{_LEVELS}"), self._set_volts),
            (_header(f"[SOURce:]CURRent{_LEVELS}?"), lambda _: _nr3(self._amperes)),
            (_header(f"[SOURce:]CURRent{_LEVELS}"), self._set_amperes),
            (_header("OUTPut[:STATe]?"), lambda _: str(int(self._on))),
            (_header("OUTPut[:STATe]"), self._switch),
            (_header("MEASure[:SCALar]:VOLTage[:DC]?"), lambda _: _nr3(self.delivered()[0])),
            (_header("MEASure[:SCALar]:CURRent[:DC]?"), lambda _: _nr3(self.delivered()[1])),
        ]

    def answer(self, line: str) -> str | None:
        """Carry out one line; gives the reply to a query, otherwise None."""
        header, _, rest = line.strip().partition(" ")
        if not header:
            return None
        before = self.delivered()[0]
        try:
            reply = self._command(header)(rest.strip())
        except _Refused as refused:
            self._note(refused.number)
            return None
        if self.delivered()[0] != before:
            self._terminals(self.delivered()[0])
        return reply

    def delivered(self) -> tuple[float, float]:
        """Volts and amperes at the terminals, on a load that is a resistor."""
        amperes = min(self._volts / LOAD_OHMS, self._amperes) if self._on else 0.0
        return amperes * LOAD_OHMS, amperes

    def _command(self, header: str) -> Callable[[str], str | None]:
        for pattern, does in self._commands:
            if pattern.fullmatch(header):
                return does
        raise _Refused(-113)

    def _note(self, number: int) -> None:
        """Queue an error; the last place of a full queue reports the overflow."""
        if len(self._errors) < QUEUE:
            self._errors.append(number)
        else:
            self._errors[-1] = -350

    def _next_error(self, _rest: str) -> str:
        number = self._errors.popleft() if self._errors else 0
        return f'{number:+d},"{_TEXTS[number]}"'

    def _clear(self, _rest: str) -> None:
        self._errors.clear()

    def _reset(self, _rest: str) -> None:
        self._volts, self._amperes, self._on = 0.0, MAX_AMPERES, False

    def _set_volts(self, rest: str) -> None:
        self._volts = _decimal(rest, MAX_VOLTS)

    def _set_amperes(self, rest: str) -> None:
        self._amperes = _decimal(rest, MAX_AMPERES)

    def _switch(self, rest: str) -> None:
        word = rest.upper()
        if not word:
            raise _Refused(-109)
        if word not in {"ON", "OFF", "1", "0"}:
            raise _Refused(-104)
        self._on = word in {"ON", "1"}


def _header(form: str) -> re.Pattern[str]:
    """Make a pattern of a header as the standard writes it: ``OUTPut[:STATe]?``.

    The capitals are the short form; what is in brackets may be left out.
    """
    pattern = ""
    for part in re.findall(r"[A-Z]+[a-z]*|.", form):
        short = re.match(r"[A-Z]*", part)
        assert short is not None
        if part == "[":
            pattern += "(?:"
        elif part == "]":
            pattern += ")?"
        elif short.group() and short.group() != part:
            pattern += f"(?:{short.group()}|{part})"
        else:
            pattern += re.escape(part)
    return re.compile(f":?{pattern}" if form[0] != "*" else pattern, re.IGNORECASE)


def _decimal(text: str, most: float) -> float:
    if not text:
        raise _Refused(-109)
    if not _DECIMAL.fullmatch(text):
        raise _Refused(-108 if "," in text else -104)
    value = float(re.sub(r"\s", "", text))
    if not 0 <= value <= most:
        raise _Refused(-222)
    return value


def _nr3(value: float) -> str:
    return f"{value:+.5E}"
