"""Which variable of a dump is which signal of the design.

One rule: nothing is guessed beyond names. A signal belongs to the variable of the same name and
width in one scope; what differs is named by the author, and what is missing is a finding.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from harness.convert.dump_read import Dump
from harness.errors import Finding, InputError, Location, many
from harness.shuttle import Bus, Design, Direction, Pin

_PART = re.compile(r"(?P<name>.*?)\[(?P<high>[0-9]+)(?::(?P<low>[0-9]+))?\]")
_EVER = {"never": 0, "always": 1}
_SAY = "write NAME=SIGNAL"
_NUMBER = re.compile(r"[0-9]{1,10}|0x[0-9a-fA-F]{1,8}|0b[01]{1,32}")
"""A number for as many pins as a chip can have."""


class Wire(NamedTuple):
    """A pin at one bit of a variable; ``variable`` empty: held at the level ``bit``.

    ``use`` is that of the pin's signal: input, output, bidirectional, clock or reset.
    """

    pin: Pin
    variable: str
    bit: int
    use: Direction


class Hold(NamedTuple):
    """Pins that the testbench drives while a one-bit variable has this level.

    ``variable`` empty: always at level 1, never at level 0.
    """

    mask: int
    variable: str
    level: int


@dataclass(frozen=True)
class PinMap:
    """Where the pins of a design are found in a dump; ``lines`` show it for confirmation.

    ``absent`` are signals that no variable was found for: outputs that are not tested, and the
    reset, which the board then does.
    """

    scope: str
    wires: tuple[Wire, ...]
    holds: tuple[Hold, ...]
    lines: tuple[str, ...]
    absent: tuple[Bus, ...]

    @property
    def variables(self) -> tuple[str, ...]:
        """The variables that are needed, each once."""
        names = [wire.variable for wire in self.wires] + [hold.variable for hold in self.holds]
        return tuple(dict.fromkeys(name for name in names if name))

    def mask(self, *uses: Direction) -> int:
        """Pins of these uses that were found, as a mask."""
        return sum(wire.pin.mask for wire in self.wires if wire.use in uses)


@dataclass(frozen=True)
class Wanted:
    """What the author named: a scope, the clock, ``NAME=SIGNAL`` for signals.

    ``driven`` has ``NAME=SIGNAL`` for a bidirectional signal that the bench drives while SIGNAL is
    1 (``!SIGNAL``: 0; ``always``, ``never``).
    """

    scope: str = ""
    signals: Sequence[str] = ()
    driven: Sequence[str] = ()
    clock: str = ""


def map_pins(dump: Dump, design: Design, wanted: Wanted) -> PinMap:
    """Find the design's signals in a dump; raises InputError with everything that is missing."""
    return _Mapper(dump, design, wanted).map()


def choose_scope(variables: Mapping[str, int], design: Design) -> str:
    """Return the scope in which most signals of the design have a variable of their width.

    Among equals it prefers the one named like the design, then the outermost.
    """
    scopes: dict[str, dict[str, int]] = {}
    for name, width in variables.items():
        scope, _, last = name.rpartition(".")
        scopes.setdefault(scope, {})[last] = width

    def rank(scope: str) -> tuple[int, bool, int]:
        inside = scopes[scope]
        matches = sum(_find(bus, inside) is not None for bus in design.signals)
        last = scope.rpartition(".")[2].lower()
        named = last in {design.name.lower(), design.top.lower()}
        return matches, named, -scope.count(".")

    return max(scopes, key=rank, default="")


def _find(bus: Bus, inside: Mapping[str, int]) -> str | None:
    """Return the variable of a signal: its name, or one that differs only in case."""
    if inside.get(bus.name) == bus.width:
        return bus.name
    low = bus.name.lower()
    return next((n for n, width in inside.items() if n.lower() == low and width == bus.width), None)


class _Mapper:
    def __init__(self, dump: Dump, design: Design, wanted: Wanted) -> None:
        self._dump, self._design, self._wanted = dump, design, wanted
        self._findings: list[Finding] = []
        self._scope = self._chosen_scope()
        prefix = f"{self._scope}." if self._scope else ""
        self._inside = {
            name.removeprefix(prefix): width
            for name, width in dump.variables.items()
            if name.rpartition(".")[0] == self._scope
        }

    def map(self) -> PinMap:
        wires: dict[int, Wire] = {wire.pin.bit: wire for wire in self._named()}
        absent: list[Bus] = []
        for bus in self._design.signals:
            name = _find(bus, self._inside)
            missing = [pin for pin in bus.pins if pin.bit not in wires]
            if name is not None:
                whole = f"{self._scope}.{name}" if self._scope else name
                bits = range(bus.width - 1, -1, -1)
                for pin, bit in zip(bus.pins, bits, strict=True):
                    wires.setdefault(pin.bit, Wire(pin, whole, bit, self._use(bus, pin)))
            elif missing:
                absent.append(bus)
                self._missing(bus, some=len(missing) < bus.width)
        holds = tuple(self._holds())
        self._check_holds(absent, holds)
        self._check_clock()
        if not any(bus.can_be_tested and bus not in absent for bus in self._design.signals):
            self._error("no-outputs", "no output of the design was found, so nothing is tested")
        if self._findings:
            raise InputError(self._findings)
        ordered = tuple(wires[bit] for bit in sorted(wires))
        lines = tuple(self._lines(wires, absent))
        return PinMap(self._scope, ordered, holds, lines, tuple(absent))

    def _chosen_scope(self) -> str:
        if not self._wanted.scope:
            return choose_scope(self._dump.variables, self._design)
        scopes = {name.rpartition(".")[0] for name in self._dump.variables}
        if self._wanted.scope not in scopes:
            near = _nearest(self._wanted.scope, scopes)
            self._error("unknown-scope", f'the dump has no scope "{self._wanted.scope}"{near}')
            raise InputError(self._findings)
        return self._wanted.scope

    def _missing(self, bus: Bus, *, some: bool) -> None:
        """Report an input without a variable; outputs and a reset may be absent as a whole."""
        if not some and (bus.direction is Direction.OUTPUT or is_reset(bus)):
            return
        known = [n for n, width in self._inside.items() if width == bus.width] or self._inside
        size = many(bus.width, "bit")
        message = f'scope {self._scope or "(top)"} has no variable "{bus.name}" of {size}'
        advice = f"name it with --map {bus.name}=SIGNAL"
        if not bus.can_be_tested:
            advice += f", or hold it with --map {bus.name}=0"
        self._error("signal-not-found", f"{message}{_nearest(bus.name, known)}", advice)

    def _named(self) -> Iterator[Wire]:
        """Wires that the author named."""
        named: set[Pin] = set()
        for text in self._wanted.signals:
            name, _, value = (part.strip() for part in text.partition("="))
            pins = self._pins(name)
            if not value:
                self._error("no-value", f"--map {text}: say what {name} is", _SAY)
            elif pins is None:
                known = self._design.signals_by_name
                message = f'--map {text}: the design has no signal "{name}"{_nearest(name, known)}'
                self._error("unknown-signal", message)
            elif named & set(pins):
                self._error("named-twice", f"--map {text}: {name} is mapped already", "map it once")
            elif _NUMBER.fullmatch(value):
                yield from self._held(text, value, pins)
            else:
                yield from self._part(text, value, pins)
            named |= set(pins or ())

    def _held(self, text: str, value: str, pins: Sequence[Pin]) -> Iterator[Wire]:
        """Hold an input at a number; what the chip drives is only what the dump shows of it."""
        number = int(value, 0 if value[1:2] in {"x", "b"} else 10)  # 0 alone refuses "01"
        use, always = self._use_of(pins[0]), f"{text.partition('=')[0].strip()}=always"
        given = use is Direction.BIDIRECTIONAL and always in self._wanted.driven
        if use in {Direction.OUTPUT, Direction.BIDIRECTIONAL} and not given:
            message = f"--map {text}: the design drives this, so no level is known without the dump"
            self._error("output-held", message, "name a variable of the dump")
            return
        if number >> len(pins):
            message = f"--map {text}: the number does not fit in {many(len(pins), 'pin')}"
            self._error("width-differs", message, "correct the number")
            return
        for pin, bit in zip(pins, range(len(pins) - 1, -1, -1), strict=True):
            yield Wire(pin, "", number >> bit & 1, self._use_of(pin))

    def _part(self, text: str, value: str, pins: Sequence[Pin]) -> Iterator[Wire]:
        variable = self._variable(value)
        if variable is None:
            near = _nearest(value, self._dump.variables)
            self._error("unknown-variable", f'--map {text}: the dump has no "{value}"{near}')
            return
        name, bits = variable
        if len(bits) != len(pins):
            sizes = many(len(bits), "bit"), many(len(pins), "pin")
            message = f"--map {text}: {value} has {sizes[0]}, the signal {sizes[1]}"
            self._error("width-differs", message)
            return
        for pin, bit in zip(pins, bits, strict=True):
            yield Wire(pin, name, bit, self._use_of(pin))

    def _use_of(self, pin: Pin) -> Direction:
        return next(self._use(bus, pin) for bus in self._design.signals if pin in bus.pins)

    def _use(self, bus: Bus, pin: Pin) -> Direction:
        clock = self._wanted.clock
        if bus.name == clock:
            return Direction.CLOCK
        if pin.direction is Direction.CLOCK:
            return Direction.INPUT if clock else Direction.CLOCK
        return pin.direction if pin.direction is Direction.RESET else bus.direction

    def _check_clock(self) -> None:
        """Refuse a clock that is no input of one pin."""
        name = self._wanted.clock
        bus = self._design.signals_by_name.get(name)
        if name and (bus is None or bus.width > 1 or bus.direction is not Direction.INPUT):
            inputs = (b for b in self._design.signals if b.direction is Direction.INPUT)
            near = _nearest(name, [bus.name for bus in inputs if bus.width == 1])
            message = f'--clock {name}: the design has no input "{name}" of one pin{near}'
            self._error("not-a-clock", message)

    def _check_holds(self, absent: Sequence[Bus], holds: Sequence[Hold]) -> None:
        """Refuse a bidirectional signal if it is not known when the bench drives it."""
        named = sum(hold.mask for hold in holds)
        for bus in self._design.signals:
            if bus.direction is Direction.BIDIRECTIONAL and bus not in absent and bus.mask & ~named:
                self._error(
                    "driver-unknown",
                    f'"{bus.name}" is bidirectional, and a dump does not say who drives it',
                    f"name the signal that is 1 while the testbench does: --driven "
                    f"{bus.name}=SIGNAL (0: !SIGNAL), or {bus.name}=never",
                )

    def _pins(self, name: str) -> Sequence[Pin] | None:
        """Pins of a signal or of one bit of it (``q[2]``), most significant first."""
        for bus in self._design.signals:
            if name == bus.name:
                return bus.pins
            for index, pin in enumerate(reversed(bus.pins)):
                if name == f"{bus.name}[{index}]":
                    return (pin,)
        return None

    def _variable(self, text: str) -> tuple[str, Sequence[int]] | None:
        """Find a variable or a part of one (``bus[7:4]``), in the scope or by its full name."""
        for name, cut in ((text, None), *_parts(text)):
            for whole in (f"{self._scope}.{name}", name):
                width = self._dump.variables.get(whole)
                if width is not None:
                    high, low = cut or (width - 1, 0)
                    return (whole, range(high, low - 1, -1)) if high < width else None
        return None

    def _holds(self) -> Iterator[Hold]:
        for text in self._wanted.driven:
            name, _, value = text.partition("=")
            pins = self._pins(name.strip()) or ()
            if not pins or self._use_of(pins[0]) is not Direction.BIDIRECTIONAL:
                self._error("not-bidirectional", f'--driven {text}: "{name}" is not bidirectional')
                continue
            mask = sum(pin.mask for pin in pins)
            if not value:
                self._error("no-value", f"--driven {text}: say who drives {name}", _SAY)
            if value in _EVER or not value:
                yield Hold(mask, "", _EVER.get(value, 0))
                continue
            level = 0 if value.startswith("!") else 1
            variable = self._variable(value.removeprefix("!"))
            if variable is None or len(variable[1]) != 1:
                near = _nearest(value, self._dump.variables)
                message = f'--driven {text}: the dump has no one-bit "{value}"{near}'
                self._error("unknown-variable", message)
            yield Hold(mask, variable[0] if variable else "", level)

    def _lines(self, wires: Mapping[int, Wire], absent: Sequence[Bus]) -> Iterator[str]:
        wide = max(len(bus.name) for bus in self._design.signals)
        for bus in self._design.signals:
            pins = f"{bus.pins[0].name}..{bus.pins[-1].name}" if bus.width > 1 else bus.pins[0].name
            there = [wires[pin.bit] for pin in bus.pins if pin.bit in wires]
            text = _shown(there, self._dump.variables) if bus not in absent else self._instead(bus)
            yield f"{bus.name:<{wide}}  {pins:<14}  {text}"

    def _instead(self, bus: Bus) -> str:
        return "not in the dump: " + ("not tested" if bus.can_be_tested else "left to the board")

    def _error(self, rule: str, message: str, advice: str = "correct the name") -> None:
        self._findings.append(Finding(rule, Location(self._dump.path), message, advice))


def is_reset(bus: Bus) -> bool:
    """Whether a signal is on the chip's reset pin."""
    return all(pin.direction is Direction.RESET for pin in bus.pins)


def _parts(text: str) -> Iterator[tuple[str, tuple[int, int]]]:
    match = _PART.fullmatch(text)
    if match:
        high = int(match["high"])
        low = int(match["low"] or match["high"])
        if low <= high:
            yield match["name"], (high, low)


def _shown(wires: Sequence[Wire], variables: Mapping[str, int]) -> str:
    """``tb.dut.q[3:0]`` for a row of bits, or each bit."""
    first, last = wires[0], wires[-1]
    if not any(wire.variable for wire in wires):
        return "held at " + "".join(str(wire.bit) for wire in wires)
    names = {wire.variable for wire in wires}
    falling = all(a.bit - b.bit == 1 for a, b in pairwise(wires))
    if len(wires) > 1 and len(names) == 1 and falling:
        return f"{first.variable}[{first.bit}:{last.bit}]"
    return ", ".join(
        f"{wire.variable}[{wire.bit}]"
        if variables.get(wire.variable, 0) > 1
        else wire.variable or str(wire.bit)
        for wire in wires
    )


def _nearest(name: str, known: Sequence[str] | Mapping[str, object] | set[str]) -> str:
    close = difflib.get_close_matches(name, sorted(known), n=3, cutoff=0.5)
    return f"; the nearest are {', '.join(close)}" if close else ""
