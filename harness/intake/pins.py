"""The pin check: which pins of the board reach the chip, and which do not.

One rule: a pin is reached only if the chip was seen to drive it or respond to it; otherwise it is
not proven. A fault in one design is not a fault of a pin.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress

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
from harness.rack import BoardSession
from harness.shuttle import Design, Direction, Pin, Shuttle, TableSpec
from harness.table import DRIVING, Pattern


def check_pins(
    session: BoardSession,
    shuttle: Shuttle,
    tables: Sequence[tuple[Design, TableSpec, Pattern]],
) -> tuple[PinResult, ...]:
    """Check every pin of the chip, in the shuttle's order. Raises LinkError or Cancelled.

    A table that the board cannot run shows nothing about any pin.
    """
    electrical = check_by_pulls(session, shuttle)
    answers = list(_ask_all(session, [piece_of(*table) for table in tables]))
    return tuple(electrical.get(pin.name) or _judge(pin, answers) for pin in shuttle.pins)


def _ask_all(session: BoardSession, pieces: Sequence[Piece]) -> Iterator[Answer]:
    for piece in pieces:
        with suppress(TableUnfit):
            yield _ask(session, piece)


def _ask(session: BoardSession, piece: Piece) -> Answer:
    """Run a piece, and test its outputs by weak pulls."""
    session.select(piece.design)
    conditions = RunConditions(piece.spec.clock_hz, piece.spec.settle_us, piece.spec.reset_cycles)
    pattern = piece.pattern
    capture = session.run(pattern, conditions, window=(0, MAX_CYCLES))
    mask = np.uint32(piece.outputs) & ~pattern.enable[:1]
    driven = {name: getattr(pattern, name)[:1] for name in DRIVING}
    first = Pattern.of(pattern.signals, **driven, highz=mask, line=pattern.line[:1])
    pulled = session.run(first, conditions, window=(0, 1))
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
        text = f"only follows the weak pulls where {_names(answers)} should drive it"
        return PinResult(pin.name, PinState.OPEN, text)
    moving = [a for a in driven if tests_both_levels(a, pin.bit) and not _frozen(a)]
    levels = {stuck_level(answer, pin.bit) for answer in moving}
    if len(levels) == 1 and (level := levels.pop()) is not None:
        text = f"always {level} where {_names(moving)} should change it"
        return PinResult(pin.name, PinState.STUCK, text)
    tied = _tied(pin, driven)
    if tied:
        text = f"always at the level of {tied}, though {_names(driven)} should tell them apart"
        return PinResult(pin.name, PinState.SHORTED, text)
    return PinResult(pin.name, PinState.REACHED, f"driven by {_names(driven)}")


def _tied(pin: Pin, answers: Sequence[Answer]) -> str:
    """Name the outputs that always moved with this one where they should differ."""
    verdicts: dict[int, set[bool]] = {}
    names: dict[int, str] = {}
    for answer in answers:
        pins = [p for bus in answer.piece.design.signals for p in bus.pins]
        driven = sorted({p.bit for p in pins if answer.contact & p.mask})
        names |= {p.bit: p.name for p in pins}
        for a, b, tied in tied_pairs(answer, driven):
            if pin.bit in {a, b}:
                verdicts.setdefault(a + b - pin.bit, set()).add(tied)
    return ", ".join(names[bit] for bit, ties in verdicts.items() if ties == {True})


def _input(pin: Pin, answers: Sequence[Answer]) -> PinResult:
    moved: list[Answer] = []
    still: list[Answer] = []
    for answer in answers:
        reactions = {did for bit, did in responses(answer) if bit == pin.bit}
        if reactions:
            (moved if True in reactions else still).append(answer)
    if moved:
        return PinResult(pin.name, PinState.REACHED, f"{_names(moved)} responded to it")
    if still:
        text = f"no response to it from {_names(still)}, as if nothing were connected"
        return PinResult(pin.name, PinState.OPEN, text)
    return _unproven(pin)


def _by_tables(pin: Pin, answers: Sequence[Answer]) -> PinResult:
    """Judge a clock, reset or select pin, which only a whole working design can prove."""
    users = list(_users(pin, answers))
    working = [answer for answer in users if right(answer)]
    if working:
        return PinResult(
            pin.name, PinState.REACHED, f"proven by correct outputs of {_names(working)}"
        )
    if users and pin.direction is Direction.SELECT and not any(a.contact for a in users):
        text = "no design responds at all: selection, supply, or the whole carrier"
        return PinResult(pin.name, PinState.OPEN, text)
    if users and pin.direction in _RIVALS:
        text = _why_frozen(pin, users, answers)
        return PinResult(pin.name, PinState.OPEN, text) if text else _unproven(pin)
    return _unproven(pin)


_RIVALS = {Direction.CLOCK: Direction.RESET, Direction.RESET: Direction.CLOCK}


def _why_frozen(pin: Pin, users: Sequence[Answer], answers: Sequence[Answer]) -> str:
    """Say why a clock or reset pin may be what stops its designs; empty if nothing points to it.

    A design held in reset looks like one without a clock: only a design that needs just one of the
    two can tell them apart.
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
    others = sorted({p.name for answer in both for p in _pins(answer, other)})
    working = [answer for answer in rivals if right(answer)]
    if working:
        return f"{still}, though {_names(working)} shows that {', '.join(others)} arrives"
    names = " or ".join(sorted([pin.name, *others]))
    return f"{still}, and they need both: {names} does not arrive"


def _pins(answer: Answer, direction: Direction) -> list[Pin]:
    """Pins of a direction that a design needs; a clock only if the piece pulses it."""
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
    return PinResult(pin.name, PinState.NOT_PROVEN, "no table of the pin check tests it")


def _names(answers: Sequence[Answer]) -> str:
    return ", ".join(answer.piece.name for answer in answers[:3])
