"""What every table would answer under every hypothesis: worked out lane by lane, and kept.

The one rule: an answer is what the board would count if every line that nobody drives reads low,
as under a weak pull to ground. What such a line reads without a pull cannot be predicted; the
pins in ``floated`` say where that matters.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

import harness.netlist
from harness.board import BoardProfile
from harness.grouping import grouped
from harness.netlist import Lane, Rows
from harness.rehearse.cache import Cache, key_of
from harness.rehearse.gates import STATES, Gates, Model, code_key, judge_each
from harness.rehearse.hypotheses import Hypothesis, Trial, trials
from harness.rehearse.rows import table_rows
from harness.rehearse.wrong import Wrong, wrong_cycles
from harness.shuttle import Design, Direction, Shuttle, TableSpec
from harness.table import Pattern, Words

Job = tuple[Design, TableSpec, Pattern]
Key = tuple[str, str]
"""Names of a design and of a table of it."""
Flags = NDArray[np.bool_]
_Otherwise = Callable[[str, Design, Rows, int], dict[str, Any]]

MAX_CYCLES = 20_000
"""Cycles (``until`` rows at their limit) beyond which a table is predicted only by name."""
MAX_WORK = 20_000_000
"""Gates times cycles beyond which the same holds: half a minute for all hypotheses."""
LAYING_OUT = 1_000
"""What it costs to lay a gate out for all hypotheses, in cycles."""
MAX_ANSWERING = 32
"""Maximum number of designs of which each is tried in place of every other."""


@dataclass(frozen=True, eq=False)
class Answers:
    """What a table gives; all arrays are ``(hypotheses, STATES)``.

    ``known`` is False where the design that would answer has no gates; the rest is then 0.
    ``wrong_cycles``; ``pins`` ever wrong; ``signature`` CRC-32 of the tested bits;
    ``floated`` pins whose level is tested while nobody drives them; ``swings`` where something
    never settles: what was worked out then means little.
    """

    known: Flags
    wrong_cycles: NDArray[np.uint32]
    pins: Words
    signature: Words
    floated: Words
    swings: Flags


@dataclass(frozen=True, eq=False)
class TablePrediction(Answers):
    """The answers of one table, and the pins that it ``drives`` and ``tests``."""

    drives: int
    tests: int

    @property
    def computed(self) -> bool:
        """Whether the table was run; not if its design has no gates, or if it takes long."""
        return bool(self.known[0].all())

    @property
    def fails(self) -> Flags:
        """Hypotheses under which the table fails, state by state."""
        wrong: Flags = self.wrong_cycles > 0
        return wrong

    @property
    def convicts(self) -> Flags:
        """Hypotheses ``(hypotheses,)`` under which the table fails from every power-up state.

        If it passes, these are ruled out.
        """
        surely: Flags = np.all(self.known & self.fails & ~self.swings, axis=1)
        return surely


class Predictions:
    """The predictions of a shuttle's tables.

    ``pins`` are the names of the chip's pins in the order of their bits; the first of
    ``hypotheses`` is that nothing is wrong.
    """

    def __init__(
        self,
        shuttle: Shuttle,
        tried: Sequence[Trial],
        tables: Mapping[Key, TablePrediction],
        jobs: Mapping[Key, Job],
        gates: Gates,
    ) -> None:
        self.pins = tuple(pin.name for pin in shuttle.pins)
        self.hypotheses: tuple[Hypothesis, ...] = tuple(trial.hypothesis for trial in tried)
        self.tables = tables
        self.cycles = {key: pattern.cycles for key, (_, _, pattern) in jobs.items()}
        self._shuttle, self._trials, self._jobs, self._gates = shuttle, tried, jobs, gates

    def wrong_cycles_of(self, key: Key, hypothesis: int, state: int = 0) -> Wrong:
        """Work out the wrong cycles of a table under one hypothesis, from one power-up state.

        A design without gates has none.
        """
        design, spec, pattern = self._jobs[key]
        trial = self._trials[hypothesis]
        model = self._gates.model(trial.answering(design.name))
        rows, lead = table_rows(pattern, spec, self._shuttle)
        return wrong_cycles(model, trial.lane, state, rows, lead)


def predict(
    shuttle: Shuttle,
    jobs: Iterable[Job],
    profile: BoardProfile | None = None,
    *,
    cache: Cache | None = None,
    heed: Callable[[], None] = lambda: None,
) -> Predictions:
    """Predict tables under all hypotheses of :func:`trials`.

    Long tables have no answers (``computed`` False). ``cache`` keeps what was worked out. ``heed``
    is called every second or so while something new is worked out: what it raises ends that, and
    finished tables are kept.
    """
    predictor = _Predictor(shuttle, trials(shuttle, profile), cache, heed)
    return predictor.predictions(jobs, predictor.worked_out)


def kept_predictions(
    shuttle: Shuttle, jobs: Iterable[Job], profile: BoardProfile, cache: Cache
) -> Predictions | None:
    """Return what :func:`predict` gave before; None unless all that it worked out is kept."""

    def missing(key: str, *_: object) -> NoReturn:
        raise KeyError(key)

    try:
        return _Predictor(shuttle, trials(shuttle, profile), cache).predictions(jobs, missing)
    except KeyError:
        return None


class _Predictor:
    """Predicts one table after the other."""

    def __init__(
        self,
        shuttle: Shuttle,
        tried: Sequence[Trial],
        cache: Cache | None,
        heed: Callable[[], None] = lambda: None,
    ) -> None:
        self._shuttle, self._trials, self._gates = shuttle, tried, Gates(shuttle)
        self._cache, self._heed = cache, heed
        lanes = repr([(trial.lane, trial.answers) for trial in tried])
        keys = [self._gates.key(design.name) for design in shuttle.designs]
        self._key = key_of(code_key(), lanes, *keys)

    def predictions(self, jobs: Iterable[Job], otherwise: _Otherwise) -> Predictions:
        """Predict tables; ``otherwise`` gives the answers of one that the cache does not have."""
        by_key = {(design.name, spec.name): (design, spec, rows) for design, spec, rows in jobs}
        tables = {key: self._table(job, otherwise) for key, job in by_key.items()}
        return Predictions(self._shuttle, self._trials, tables, by_key, self._gates)

    def _table(self, job: Job, otherwise: _Otherwise) -> TablePrediction:
        design, spec, pattern = job
        rows, lead = table_rows(pattern, spec, self._shuttle)
        if self._takes_long(design.name, rows):
            answers = _nothing(len(self._trials))
        else:
            key = key_of(self._key, design.name, str(lead), rows.tobytes())
            kept = _decoded(self._cache.get(key) if self._cache else None, len(self._trials))
            answers = otherwise(key, design, rows, lead) if kept is None else kept
        return TablePrediction(**answers, **_masks(job, self._shuttle))

    def worked_out(self, key: str, design: Design, rows: Rows, lead: int) -> dict[str, Any]:
        """Work out the answers of a table, and keep them under a key."""
        answers = self._answers(design, rows, lead)
        if self._cache:
            self._cache.put(key, _encoded(answers))
        return answers

    def _answers(self, design: Design, rows: Rows, lead: int) -> dict[str, Any]:
        """Run the table on the gates of every design that may answer."""
        groups = grouped((t.answering(design.name), n) for n, t in enumerate(self._trials))
        found = _nothing(len(self._trials))
        crowd = len(self._shuttle.designs) > MAX_ANSWERING
        for name, indices in groups.items():
            model = self._gates.model(name)
            other = name not in {"", design.name}
            if model is None or (other and (crowd or self._takes_long(name, rows))):
                continue
            lanes = [self._trials[index].lane for index in indices]
            for column, values in _of_lanes(model, lanes, rows, lead, self._heed).items():
                found[column][indices] = values
        return found

    def _takes_long(self, name: str, rows: Rows) -> bool:
        """Whether these rows are too many, or too many for a design's gates."""
        cycles, model = int(rows[:, 6].sum()), self._gates.model(name)
        gates = model[0].gate_count + model[0].flop_count if model else 0
        return cycles > MAX_CYCLES or gates * (cycles + LAYING_OUT) > MAX_WORK


def _of_lanes(
    model: Model, lanes: Sequence[Lane], rows: Rows, lead: int, heed: Callable[[], None]
) -> dict[str, Any]:
    """Judge lanes from every power-up state: the columns of :class:`Answers`.

    Lanes that come to the same are run once, and so are states of no flops. Shorts slow down
    those that are run beside them, so they come last.
    """
    netlist, pins = model
    bits, tested = {pin.bit for pin in pins}, int(np.bitwise_or.reduce(rows[:, 4] | rows[:, 5]))
    near = bits | {line for line in range(32) if tested >> line & 1}
    reaching = [_reaching(lane, bits, near) for lane in lanes]
    distinct = sorted(set(reaching), key=lambda lane: bool(lane.shorts))
    count = STATES if netlist.flop_count else 1
    verdicts = judge_each(netlist, pins, distinct, rows, lead, count, heed=heed)
    places = {lane: place for place, lane in enumerate(distinct)}
    where = [places[lane] for lane in reaching]
    return {
        name: np.broadcast_to(column.reshape(-1, count)[where], (len(lanes), STATES))
        for name, column in _of_verdicts(verdicts, count * len(distinct)).items()
    }


def _reaching(lane: Lane, bits: set[int], near: set[int]) -> Lane:
    """Leave out of a lane what meets no pin of the design and no line ``near`` it."""
    wires = tuple(wire for wire in lane.wires if wire[0] in bits)
    near = near.union(line for _, line in wires if line is not None)
    lines = tuple(line for line in lane.lines if line[0] in near)
    shorts = lane.shorts if any(near & {short.a, short.b} for short in lane.shorts) else ()
    return replace(lane, wires=wires, lines=lines, shorts=shorts)


def _of_verdicts(verdicts: harness.netlist.Verdicts, lanes: int) -> dict[str, NDArray[Any]]:
    """Give the columns of :class:`Answers`, a row a lane."""
    weights = np.uint32(1) << np.arange(32, dtype=np.uint32)
    return {
        "known": np.ones(lanes),
        "wrong_cycles": verdicts.wrong_cycles,
        "pins": ((verdicts.pin_counts > 0) * weights).sum(axis=1),
        "signature": verdicts.signature,
        "floated": verdicts.floated,
        "swings": verdicts.unsettled,
    }


_KINDS = {"known": np.bool_, "swings": np.bool_}
_COLUMNS = tuple(field.name for field in fields(Answers))


def _nothing(count: int) -> dict[str, Any]:
    return {name: np.zeros((count, STATES), _KINDS.get(name, np.uint32)) for name in _COLUMNS}


def _encoded(answers: Mapping[str, Any]) -> bytes:
    return b"".join(answers[name].tobytes() for name in _COLUMNS)


def _decoded(data: bytes | None, count: int) -> dict[str, Any] | None:
    """Read what was kept; None if there is nothing, or not as much as there should be."""
    empty = _nothing(count)
    if data is None or len(data) != sum(column.nbytes for column in empty.values()):
        return None
    at = 0
    for name, column in empty.items():
        values = np.frombuffer(data, column.dtype, column.size, at)
        empty[name] = values.reshape(column.shape)
        at += column.nbytes
    return empty


def _masks(job: Job, shuttle: Shuttle) -> dict[str, Any]:
    """Pins of the design that the table drives, its reset and clock included, and tests."""
    design, spec, pattern = job
    used = sum(bus.mask for bus in design.signals)
    drives = int(np.bitwise_or.reduce(pattern.enable, initial=0))
    if spec.reset_cycles:
        drives |= shuttle.mask(Direction.RESET, Direction.CLOCK)
    return {"drives": drives & used, "tests": int(np.bitwise_or.reduce(pattern.tested, initial=0))}
