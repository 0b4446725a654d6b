"""The pin check: which pins of the board reach the chip, and which do not.

One rule: a pin is called reached only when the chip was seen to drive it or to answer to it;
what could not be shown is called not proven, and a fault in one design is no fault of a pin.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import Protocol

import numpy as np

from harness.board import RunConditions
from harness.errors import BoardMisbehaved, TableUnfit
from harness.intake.pulls import check_by_pulls
from harness.intake.respond import (
    MAX_CYCLES,
    Answer,
    Piece,
    answered,
    piece_of,
    responses,
    right,
    stuck_level,
    tests_both_levels,
    tied_pairs,
)
from harness.intake.steps import PinResult, PinState
from harness.judge import PatternRunner
from harness.shuttle import Design, Direction, Pin, Shuttle, TableSpec
from harness.table import DRIVING, Pattern


class DesignRunner(PatternRunner, Protocol):
    """The part of a board session that is needed here."""

    def select(self, design: Design) -> None:
        """Select a design; raises LinkError."""
        ...


def check_pins(
    runner: DesignRunner,
    shuttle: Shuttle,
    tables: Sequence[tuple[Design, TableSpec, Pattern]],
) -> tuple[PinResult, ...]:
    """Check every pin of the chip, in the shuttle's order. Raises LinkError or Cancelled.

    A table that the board cannot run shows nothing of any pin.
    """
    electrical = check_by_pulls(runner, shuttle)
    answers = list(_ask_all(runner, [piece_of(*table) for table in tables]))
    return tuple(electrical.get(pin.name) or _judge(pin, answers) for pin in shuttle.pins)


def _ask_all(runner: DesignRunner, pieces: Sequence[Piece]) -> Iterator[Answer]:
    for piece in pieces:
        with suppress(TableUnfit):
            yield _ask(runner, piece)


def _ask(runner: DesignRunner, piece: Piece) -> Answer:
    """Run a piece, and test its outputs by weak pulls."""
    runner.select(piece.design)
    conditions = RunConditions(piece.spec.clock_hz, piece.spec.settle_us, piece.spec.reset_cycles)
    pattern = piece.pattern
    capture = runner.run(pattern, conditions, window=(0, MAX_CYCLES))
    mask = np.uint32(piece.outputs) & ~pattern.enable[:1]
    driven = {name: getattr(pattern, name)[:1] for name in DRIVING}
    first = Pattern.of(pattern.signals, **driven, highz=mask, line=pattern.line[:1])
    pulled = runner.run(first, conditions, window=(0, 1))
    if capture.window is None or pulled.window is None:
        raise BoardMisbehaved("the board kept no words of the pin check; run it again")
    return answered(piece, int(mask[0]) & ~int(pulled.window.floating[0]), capture.window)


def _judge(pin: Pin, answers: Sequence[Answer]) -> PinResult:
    if pin.direction in {Direction.CLOCK, Direction.RESET, Direction.SELECT}:
        return _by_tables(pin, answers)
    driving = [answer for answer in answers if answer.piece.outputs & pin.mask]
    if driving:
        return _output(pin, driving)
    return _input(pin, answers) if pin.direction is not Direction.OUTPUT else _unproven(pin)


def _output(pin: Pin, answers: Sequence[Answer]) -> PinResult:
    driven = [answer for answer in answers if answer.contact & pin.mask]
    if not driven:
        told = f"only follows the weak pulls where {_names(answers)} should drive it"
        return PinResult(pin.name, PinState.OPEN, told)
    moving = [a for a in driven if tests_both_levels(a, pin.bit) and not _frozen(a)]
    levels = {stuck_level(answer, pin.bit) for answer in moving}
    if len(levels) == 1 and (level := levels.pop()) is not None:
        told = f"always {level} where {_names(moving)} should move it"
        return PinResult(pin.name, PinState.STUCK, told)
    tied = _tied(pin, driven)
    if tied:
        told = f"always at the level of {tied}, though {_names(driven)} should tell them apart"
        return PinResult(pin.name, PinState.SHORTED, told)
    return PinResult(pin.name, PinState.REACHED, f"driven by {_names(driven)}")


def _tied(pin: Pin, answers: Sequence[Answer]) -> str:
    """Name the output that moved as this one in every piece that should tell them apart."""
    verdicts: dict[int, set[bool]] = {}
    names: dict[int, str] = {}
    for answer in answers:
        pins = [p for bus in answer.piece.design.signals for p in bus.pins]
        driven = sorted({p.bit for p in pins if answer.contact & p.mask})
        names |= {p.bit: p.name for p in pins}
        for a, b, tied in tied_pairs(answer, driven):
            if pin.bit in {a, b}:
                verdicts.setdefault(a + b - pin.bit, set()).add(tied)
    return ", ".join(names[bit] for bit, found in verdicts.items() if found == {True})


def _input(pin: Pin, answers: Sequence[Answer]) -> PinResult:
    moved: list[Answer] = []
    still: list[Answer] = []
    for answer in answers:
        found = {did for bit, did in responses(answer) if bit == pin.bit}
        if found:
            (moved if True in found else still).append(answer)
    if moved:
        return PinResult(pin.name, PinState.REACHED, f"answered by {_names(moved)}")
    if still:
        told = f"no answer to it from {_names(still)}, as if nothing were connected"
        return PinResult(pin.name, PinState.OPEN, told)
    return _unproven(pin)


def _by_tables(pin: Pin, answers: Sequence[Answer]) -> PinResult:
    """Clock, reset and select pins show themselves only by whole designs that work."""
    users = list(_users(pin, answers))
    working = [answer for answer in users if right(answer)]
    if working:
        return PinResult(pin.name, PinState.REACHED, f"proved by {_names(working)}, working")
    if users and pin.direction is Direction.SELECT and not any(a.contact for a in users):
        told = "no design answers at all: selection, supply, or the whole carrier"
        return PinResult(pin.name, PinState.OPEN, told)
    if users and pin.direction in _RIVALS:
        told = _why_frozen(pin, users, answers)
        return PinResult(pin.name, PinState.OPEN, told) if told else _unproven(pin)
    return _unproven(pin)


_RIVALS = {Direction.CLOCK: Direction.RESET, Direction.RESET: Direction.CLOCK}


def _why_frozen(pin: Pin, users: Sequence[Answer], answers: Sequence[Answer]) -> str:
    """Say why a clock or reset pin may be what holds its designs; empty if nothing speaks for it.

    A design that is held in reset looks like one without a clock: only a design that needs one of
    the two can tell them apart.
    """
    other = _RIVALS[pin.direction]
    both = [answer for answer in users if _pins(answer, other)]
    alone = [answer for answer in users if answer not in both]
    if not _all_frozen(both):
        return ""
    if alone and _all_frozen(alone):
        return f"no output of {_names(alone)} ever moves, and they need no {other}"
    rivals = [a for a in answers if _pins(a, other) and not _pins(a, pin.direction)]
    if not both or (rivals and _all_frozen(rivals)):
        return ""
    still = f"no output of {_names(both)} ever moves"
    others = sorted({found.name for answer in both for found in _pins(answer, other)})
    working = [answer for answer in rivals if right(answer)]
    if working:
        return f"{still}, though {_names(working)} shows that {', '.join(others)} arrives"
    names = " or ".join(sorted([pin.name, *others]))
    return f"{still}, and they need both: {names} does not arrive"


def _pins(answer: Answer, direction: Direction) -> list[Pin]:
    """Pins of a kind that a design needs; a clock only if the piece pulses it."""
    pins = [p for bus in answer.piece.design.signals for p in bus.pins if p.direction is direction]
    if direction is Direction.CLOCK:
        return [p for p in pins if bool((answer.piece.pattern.pulse & np.uint32(p.mask)).any())]
    return pins


def _users(pin: Pin, answers: Sequence[Answer]) -> Iterator[Answer]:
    for answer in answers:
        pattern = answer.piece.pattern
        if (
            pin.direction is Direction.SELECT
            or (
                pin.direction is Direction.RESET
                and answer.piece.spec.reset_cycles
                and pin in _pins(answer, Direction.RESET)
            )
            or (pin.direction is Direction.CLOCK and bool((pattern.pulse & pin.mask).any()))
        ):
            yield answer


def _frozen(answer: Answer) -> bool:
    """Whether no output moved although the chip drives some."""
    seen = answer.seen & np.uint32(answer.contact)
    return bool(answer.contact) and bool(np.all(seen == seen[0]))


def _all_frozen(answers: Sequence[Answer]) -> bool:
    return all(_frozen(answer) for answer in answers)


def _unproven(pin: Pin) -> PinResult:
    return PinResult(pin.name, PinState.NOT_PROVEN, "no table of the pin check shows it")


def _names(answers: Sequence[Answer]) -> str:
    return ", ".join(answer.piece.name for answer in answers[:3])
