"""What a reference model is asked: inputs row by row, and resets between sequences.

One rule: the same seed gives the same rows, on every machine: only bits and floats of Python's own
generator are drawn, whose sequences are the same in every version.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import islice
from random import Random
from typing import Any

from harness.convert.choices import Stimulus
from harness.convert.model import Model, Values, plain, shown, some
from harness.errors import TableError
from harness.shuttle import Bus

MAX_ROWS = 1_000_000
"""Maximum number of rows of a sequence, of sequences, and of weights of an input."""
MAX_DRAWS = 10_000
"""Maximum number of draws for inputs that a model allows."""

BESIDE = {0: "all zeros", -1: "all ones"}
"""Values of the other inputs while one walks through its corners."""


@dataclass(frozen=True)
class Ask:
    """Inputs of one row. ``fresh`` asks for a reset before it; ``label`` names what begins."""

    inputs: Values
    fresh: bool = False
    label: str = ""


def asks(model: Model, kind: Stimulus, seed: int, cycles: int) -> Iterator[Ask]:
    """Give at most ``cycles`` rows. The model is asked for what it allows while they are played.

    Raises TableError if the model does not say what this kind needs.
    """
    makers: dict[Stimulus, Callable[[Model, Random], Iterator[Ask]]] = {
        Stimulus.DIRECTED: _directed,
        Stimulus.RANDOM: _random,
        Stimulus.CORNER: _corner,
        Stimulus.CONSTRAINED: _constrained,
    }
    return islice(makers[kind](model, Random(seed)), cycles)


def corners(bus: Bus) -> tuple[int, ...]:
    """All zeros, all ones, walking ones and zeros, and the values beside the middle and ends."""
    ones = (1 << bus.width) - 1
    walking = [1 << bit for bit in range(bus.width)]
    middle = 1 << bus.width - 1
    near = [1, ones - 1, middle - 1, middle]
    return tuple(dict.fromkeys((0, ones, *walking, *(ones ^ one for one in walking), *near)))


def _random(model: Model, chance: Random) -> Iterator[Ask]:
    while True:
        yield Ask({bus.name: chance.getrandbits(bus.width) for bus in model.inputs})


def _corner(model: Model, chance: Random) -> Iterator[Ask]:
    """Corners of each input with the others at all zeros and all ones; then corners at random."""
    for others, beside in BESIDE.items():
        base = {bus.name: others & (1 << bus.width) - 1 for bus in model.inputs}
        for bus in model.inputs:
            for number, value in enumerate(corners(bus)):
                label = "" if number else f"corners of {bus.name} beside {beside}"
                yield Ask({**base, bus.name: value}, label=label)
    known = {bus.name: corners(bus) for bus in model.inputs}
    while True:
        yield Ask({name: _one_of(values, chance) for name, values in known.items()})


def _directed(model: Model, _chance: Random) -> Iterator[Ask]:
    sequences = model.given("sequences", partial(_sequences, model))
    for label, rows in sequences.items():
        held = {bus.name: 0 for bus in model.inputs}
        for number, row in enumerate(rows):
            held |= row
            yield Ask(dict(held), fresh=number == 0, label="" if number else label)


def _constrained(model: Model, chance: Random) -> Iterator[Ask]:
    weights = model.given("weights", partial(_weights, model))
    while True:
        for _ in range(MAX_DRAWS):
            drawn = {
                bus.name: _drawn(bus, weights.get(bus.name, {}), chance) for bus in model.inputs
            }
            if model.allowed(drawn):
                break
        else:
            message = f"allowed refused {MAX_DRAWS:,} inputs one after the other"
            raise model.error("allowed", message, "allow more, or give weights that fit")
        yield Ask(drawn)


def _drawn(bus: Bus, weights: Mapping[int, float], chance: Random) -> int:
    if not weights:
        return chance.getrandbits(bus.width)
    mark = chance.random() * sum(weights.values())
    for value, weight in weights.items():
        mark -= weight
        if mark < 0:
            return value
    return next(iter(weights))


def _one_of(values: tuple[int, ...], chance: Random) -> int:
    return values[int(chance.random() * len(values))]


def _sequences(model: Model, written: Any) -> dict[str, list[dict[str, int]]]:
    """Read sequences, whose names are labels and whose rows have values of inputs."""
    if not written:
        raise _needs(model, "sequences", "lists of rows by name")
    return {
        plain(name): [
            {_input(model, "sequences", name, value): value for name, value in dict(row).items()}
            for row in some(rows, MAX_ROWS)
        ]
        for name, rows in some(written.items(), MAX_ROWS)
    }


def _weights(model: Model, written: Any) -> dict[str, dict[int, float]]:
    """Read weights: chances of values by input."""
    if not written:
        if not hasattr(model.code, "allowed"):
            raise _needs(model, "weights", "chances of values by input, or a method allowed")
        return {}
    read = {}
    for name, values in some(written.items(), MAX_ROWS):
        chances = {value: float(weight) for value, weight in some(values.items(), MAX_ROWS)}
        for value in chances:
            _input(model, "weights", name, value)
        if not all(0 <= weight < float("inf") for weight in chances.values()) or not any(
            chances.values()
        ):
            raise ValueError(f"the weights of {name} are not numbers above 0")
        read[plain(name)] = chances
    return read


def _input(model: Model, key: str, name: object, value: object) -> str:
    """Return the name of an input that can have a value."""
    bus = next((bus for bus in model.inputs if bus.name == name), None)
    if bus is None:
        message = f"{key} names {shown(name)}, which is not among its inputs"
        raise model.error(key, message, "remove it")
    if type(value) is not int or not 0 <= value < 1 << bus.width:
        advice = f"write a number from 0 to {(1 << bus.width) - 1}"
        raise model.error(key, f"{key} gives {bus.name} the value {shown(value)}", advice)
    return bus.name


def _needs(model: Model, key: str, what: str) -> TableError:
    return model.error(key, f"the model has no {key}", f"add {key}: {what}")
