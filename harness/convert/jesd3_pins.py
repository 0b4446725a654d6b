"""Pin numbers of a JESD3 file: which pin of the chip each of them is.

One rule: nothing is guessed. A number belongs to a name by the caller's word (``d=4..1``), or by a
comment of the file (``N pin 3 = d[0]*``), which every file written here has.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from harness.convert.jesd3_read import MAX_PACKAGE_PINS, Jesd3File
from harness.errors import ConfigError, Findings, Location
from harness.shuttle import Design, Direction, Pin, Shuttle, nearest
from harness.table import signal_columns

LEFT_OUT = "-"
"""Name of pins that a table leaves out on purpose."""

Numbers = Mapping[int, Pin | None]
"""Pin number → pin of the chip, None for one that is left out."""

_COMMENT = re.compile(r"pin ([1-9][0-9]{0,2}) = (\S+)")
_RANGE = re.compile(r"([1-9][0-9]{0,2})(?:\.\.([1-9][0-9]{0,2}))?")


def pin_comment(number: int, name: str) -> str:
    """Text of the comment that names a pin."""
    return f"pin {number} = {name}"


def pin_numbers(texts: Sequence[str], design: Design, shuttle: Shuttle) -> dict[int, Pin | None]:
    """Read ``clk=1``, ``d=5..2`` (most significant bit first), ``q[0]=7``, ``-=10,20``.

    A name is a signal, a bit of one, a chip pin, or ``-`` for pins that are left out. Raises
    ConfigError with a finding for each text that is wrong.
    """
    known = _known(design, shuttle)
    pins: dict[int, Pin | None] = {}
    findings = Findings()

    def refuse(rule: str, text: str, message: str, advice: str) -> None:
        findings.error(rule, Location(design.folder), f"--map {text[:60]}: {message}", advice)

    for text in texts:
        name, _, numbers = (part.strip() for part in text.partition("="))
        listed = _listed(numbers)
        named: Sequence[Pin | None] = known.get(name, [None] * len(listed))
        if not listed:
            refuse("bad-pin-number", text, "no pin numbers", "write it as in clk=1 or d=5..2")
        elif name not in known and name != LEFT_OUT:
            message = f'design "{design.name}" has no pin "{name[:60]}"'
            refuse("unknown-pin", text, message, nearest(name[:60], _own_names(design).values()))
        elif len(named) != len(listed):
            message = f'"{name}" has {len(named)} pins, and {len(listed)} are numbered'
            refuse("bad-pin-number", text, message, "number each, most significant first")
        elif set(listed) & pins.keys() or {pin for pin in named if pin} & set(pins.values()):
            refuse("doubled-pin", text, "a pin occurs twice", "name and number each pin once")
        pins |= dict(zip(listed, named, strict=False))
    if findings.errors:
        raise ConfigError(findings.items)
    return pins


def named_pins(
    file: Jesd3File, given: Numbers, design: Design, shuttle: Shuttle
) -> dict[int, Pin | None]:
    """Return the pins that the comments of a file name, unless the given numbers say otherwise."""
    known = _known(design, shuttle)
    pins: dict[int, Pin | None] = {}
    for match in filter(None, map(_COMMENT.fullmatch, file.notes)):
        for pin in known.get(match[2], ()):
            if int(match[1]) not in given and pin not in (*given.values(), *pins.values()):
                pins[int(match[1])] = pin
    return pins | dict(given)


def jesd3_remarks(file: Jesd3File) -> tuple[str, ...]:
    """Say for the top of a table what the file says, without the comments that name pins."""
    omitted = [f"left out: {file.omissions}"] if file.left_out else []
    notes = [note for note in file.notes if not _COMMENT.fullmatch(note)]
    return (f"from {file.path.name}: {file.heading}", *omitted, *notes)


def numbered_pins(given: Numbers, design: Design, shuttle: Shuttle) -> dict[Pin, tuple[int, str]]:
    """Return the number and name of each pin that a file is written for.

    Without numbers the chip's pins are numbered in the order of the shuttle file. Raises
    ConfigError if a pin of the design has none.
    """
    own = _own_names(design)
    numbers = {pin: number for number, pin in given.items() if pin is not None}
    if not numbers:
        selects = shuttle.mask(Direction.SELECT)
        numbers = {pin: pin.bit + 1 for pin in shuttle.pins if not pin.mask & selects}
    lost = [name for pin, name in own.items() if pin not in numbers]
    if lost:
        message = f"pins of the design have no number: {', '.join(lost)}"
        raise ConfigError.of("pin-without-number", design.folder, message, "number all or none")
    return {pin: (number, own.get(pin, pin.name)) for pin, number in numbers.items()}


def pin_lines(pins: Numbers, design: Design) -> Iterator[str]:
    """Say which numbers the pins of each signal have, most significant bit first."""
    numbers = {pin: str(number) for number, pin in pins.items()}
    wide = max(len(bus.name) for bus in design.signals)
    for bus in design.signals:
        listed = [numbers.get(pin, LEFT_OUT) for pin in bus.pins]
        text = f"pin {', '.join(listed)}" if set(listed) != {LEFT_OUT} else "not in the file"
        yield f"{bus.name:<{wide}}  {text}"
    left_out = ", ".join(str(number) for number, pin in sorted(pins.items()) if pin is None)
    if left_out:
        yield f"left out: pin {left_out}"


def _listed(text: str) -> list[int]:
    """Read ``7`` or ``5..2, 8``; no number if any part is wrong or too large."""
    numbers: list[int] = []
    for part in text.split(","):
        match = _RANGE.fullmatch(part.strip())
        if match is None:
            return []
        first, last = int(match[1]), int(match[2] or match[1])
        step = 1 if last >= first else -1
        numbers += range(first, last + step, step)
    return numbers if len(set(numbers)) == len(numbers) <= MAX_PACKAGE_PINS else []


def _known(design: Design, shuttle: Shuttle) -> dict[str, tuple[Pin, ...]]:
    signals = {name: column.bus.pins for name, column in signal_columns(design, shuttle).items()}
    chip: dict[str, tuple[Pin, ...]] = {pin.name: (pin,) for pin in shuttle.pins}
    return chip | signals


def _own_names(design: Design) -> dict[Pin, str]:
    """Names of the bits of the design's signals."""
    return {pin: name for bus in design.signals for name, pin in bus.bits}
