"""A reference model and its stimulus become the rows of a table. Pure but for the model's code.

One rule: what a row expects is what the model returned for that row, and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from harness.convert.choices import Stimulus
from harness.convert.draft import Draft, DraftRow, input_cell, output_cell
from harness.convert.model import Model, plain, some
from harness.convert.stimulus import Ask, asks
from harness.shuttle import Design, Direction, Shuttle

MAX_STATES = 100_000
"""Maximum number of states that a model may list."""


@dataclass(frozen=True)
class Coverage:
    """States that a generated table reaches: how many, and which of those listed it does not.

    ``reported`` is False if the model reports no state.
    """

    reported: bool
    visited: int
    listed: int
    missing: tuple[str, ...]


def generate(
    model: Model, design: Design, shuttle: Shuttle, kind: Stimulus, seed: int, cycles: int
) -> tuple[Draft, Coverage]:
    """Make a table from a model, and say which of its states the table reaches.

    ``cycles`` is the maximum number of rows. Raises TableError with the line of the model's file
    for anything that the model does wrong.
    """
    player = _Player(model, design, shuttle)
    rows = [row for ask in asks(model, kind, seed, cycles) for row in player.play(ask)]
    columns = (*player.clocks, *player.resets, *(b.name for b in (*model.inputs, *model.outputs)))
    remark = f"made from {model.path.name}: {kind}, seed {seed}"
    draft = Draft(tuple(dict.fromkeys(columns)), tuple(rows), (remark,)).folded()
    return draft, player.coverage()


class _Player:
    """Plays rows on a model and remembers the states that it was in."""

    def __init__(self, model: Model, design: Design, shuttle: Shuttle) -> None:
        self.model = model
        own = {bus.name for bus in model.inputs}
        clocks, resets = (
            [name for name in design.names_on(kind) if name not in own]
            for kind in (Direction.CLOCK, Direction.RESET)
        )
        active, idle = "01" if shuttle.reset_active_low else "10"
        self.clocks = dict.fromkeys(clocks, "C")
        self.active, self.resets = dict.fromkeys(resets, active), dict.fromkeys(resets, idle)
        self.seen: dict[str, None] = {}
        model.reset()
        self._visit()

    def play(self, ask: Ask) -> Iterator[DraftRow]:
        """Give the row of what is asked, after one that resets the design if that is asked too."""
        inputs = {bus.name: input_cell(bus, ask.inputs[bus.name]) for bus in self.model.inputs}
        if ask.fresh and self.active:
            self.model.reset()
            self._visit()
            yield DraftRow(self.clocks | self.active | inputs, label="reset")
        outputs = self.model.step(ask.inputs)
        self._visit()
        tested = {
            bus.name: output_cell(bus, outputs[bus.name])
            for bus in self.model.outputs
            if bus.name in outputs
        }
        yield DraftRow(self.clocks | self.resets | inputs | tested, label=ask.label)

    def _visit(self) -> None:
        state = self.model.state()
        if state:
            self.seen.setdefault(state)

    def coverage(self) -> Coverage:
        """Compare the states that were seen with those that the model lists."""
        listed = self.model.given("states", _texts)
        missing = tuple(state for state in listed if state not in self.seen)
        return Coverage(bool(self.seen), len(self.seen), len(listed), missing)


def _texts(states: Any) -> tuple[str, ...]:
    return tuple(dict.fromkeys(map(plain, some(states, MAX_STATES))))
