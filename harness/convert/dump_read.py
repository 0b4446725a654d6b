"""Reads the value changes of a dump, batch by batch.

One rule: everything that is special about the library that reads dumps (PyPI ``pywellen``) is in
this module. It silently drops names that it does not know, delivers a second stream of one
object empty, gives values as integers or as texts from one change to the next, and panics instead
of raising.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.convert.dump_file import DumpKind, look_through
from harness.errors import InputError

if TYPE_CHECKING:
    import pywellen

BATCH = 1 << 15
"""Number of changes from which on a batch is handed over."""
_CHUNK = 1 << 11
"""Number of changes kept as objects of Python, so few that they stay in the processor's cache."""
_NUMBERS = np.uint64
Told = Callable[[str, float], None]
"""Gets what is being done and the part of it that is done, from 0 to 1."""


@dataclass(frozen=True)
class Dump:
    """A dump that is whole: its variables by full name with their widths, and its time.

    Names of one variable have one of ``ids``. ``end`` is the last time stamp in units of ``tick``,
    such as ``1 ps``.
    """

    path: Path
    kind: DumpKind
    variables: Mapping[str, int]
    ids: Mapping[str, str]
    end: int
    tick: str


class Batch(NamedTuple):
    """Changes in order of time, whole time steps only.

    ``variable`` counts the names that were asked for. ``others`` are the values, by their place,
    that are no number of 64 bits: integers, and texts of ``0 1 x z …``, most significant first;
    ``number`` is 0 there.
    """

    time: NDArray[np.int64]
    variable: NDArray[np.uint8]
    number: NDArray[np.uint64]
    others: Mapping[int, int | str]


def open_dump(path: Path, tell: Told) -> Dump:
    """Look a dump through and read its names; raises InputError if it is damaged."""
    whole = look_through(path, lambda part: tell("checking", part))
    waveform = _load(path)
    widths: dict[str, int] = {}
    ids: dict[str, str] = {}
    for variable in waveform.all_vars():
        ids.setdefault(variable.full_name, str(variable.signal_id))
        if variable.bitwidth and not (variable.is_real or variable.is_string):
            widths.setdefault(variable.full_name, variable.bitwidth)
    scale = waveform.timescale
    tick = f"{scale.factor} {scale.unit}" if scale is not None else "ticks"
    return Dump(path, whole.kind, widths, ids, whole.end, tick)


def stream(dump: Dump, names: Sequence[str], take: Callable[[Batch], None], tell: Told) -> None:
    """Deliver every change of these variables; each of them must be one of the dump's."""
    assert set(names) <= dump.variables.keys()
    waveform = _load(dump.path)
    places = {dump.ids[name]: place for place, name in reversed(list(enumerate(names)))}
    gathered = _Gathered(places, take, lambda time: tell("reading", time / max(1, dump.end)))
    with _sound(dump.path):
        waveform.stream_changes(gathered.callback(), list(names))
    gathered.flush()


def same_variable(dump: Dump, names: Sequence[str]) -> list[int]:
    """Return for each name the first of the names that is the same variable."""
    wanted = [dump.ids[name] for name in names]
    return [wanted.index(one) for one in wanted]


class _Gathered:
    """Gathers changes one by one and hands them over in batches.

    The callback runs once a change, so it appends and does nothing else.
    """

    def __init__(
        self,
        places: Mapping[str, int],
        take: Callable[[Batch], None],
        passed: Callable[[int], None],
    ) -> None:
        self._places, self._take, self._passed = places, take, passed
        self._times: list[int] = []
        self._ids: list[object] = []
        self._values: list[int | str] = []
        self._chunks: list[_Columns] = []
        self._count = 0
        self._others: dict[int, int | str] = {}

    def callback(self) -> Callable[[int, object, int | str], None]:
        """Return the function that the library calls."""
        times, names, values = self._times, self._ids, self._values
        add_time, add_name, add_value = times.append, names.append, values.append

        def change(time: int, name: object, value: int | str) -> None:
            add_time(time)
            add_name(name)
            add_value(value)
            if len(times) >= _CHUNK:
                self._convert()

        return change

    def flush(self) -> None:
        """Hand over what is left."""
        self._convert()
        if self._count:
            self._hand_over(self._joined(), self._count)

    def _convert(self) -> None:
        """Make arrays of the changes so far; hand over whole time steps if they are many."""
        count, places = len(self._times), self._places
        columns = (
            np.array(self._times, np.int64),
            np.array([places[str(one)] for one in self._ids], np.uint8),
            self._numbers(),
        )
        for column in (self._times, self._ids, self._values):
            column.clear()
        self._chunks.append(columns)
        self._count += count
        if self._count >= BATCH:
            joined = self._joined()
            stop = int(np.searchsorted(joined[0], joined[0][-1]))  # more of this step may follow
            if stop:
                self._hand_over(joined, stop)
                self._passed(int(joined[0][0]))

    def _numbers(self) -> NDArray[np.uint64]:
        numbers = np.array(self._values)  # without a type: with one, the text 10 becomes ten
        if numbers.dtype.kind not in "iu":
            others = {k: v for k, v in enumerate(self._values) if not _is_number(v)}
            plain = [0 if k in others else v for k, v in enumerate(self._values)]
            numbers = np.array(plain, _NUMBERS)
            self._others.update((self._count + k, value) for k, value in others.items())
        return numbers.astype(_NUMBERS)

    def _joined(self) -> _Columns:
        time, variable, number = zip(*self._chunks, strict=True)
        return np.concatenate(time), np.concatenate(variable), np.concatenate(number)

    def _hand_over(self, joined: _Columns, stop: int) -> None:
        time, variable, number = joined
        others, self._others = self._others, {}
        self._chunks = [(time[stop:], variable[stop:], number[stop:])]
        self._count -= stop
        for place, value in others.items():
            if place >= stop:
                self._others[place - stop] = value
        gone = {place: value for place, value in others.items() if place < stop}
        self._take(Batch(time[:stop], variable[:stop], number[:stop], gone))


_Columns = tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.uint64]]


def _is_number(value: int | str) -> bool:
    return isinstance(value, int) and value < 1 << 64


def _load(path: Path) -> pywellen.Waveform:
    try:
        import pywellen  # noqa: PLC0415 - optional
    except ImportError as trouble:
        message = "reading a dump needs the package pywellen"
        advice = "install it: pip install 'harness[waves]'"
        raise InputError.of("dump-reader-missing", path, message, advice) from trouble
    with _sound(path):
        return pywellen.Waveform(str(path))


@contextmanager
def _sound(path: Path) -> Iterator[None]:
    """Turn anything that the library raises about the file into an InputError.

    A panic is not an Exception and prints a backtrace to stderr, which is closed meanwhile.
    """
    try:
        with _silence():
            yield
    except RuntimeError as trouble:
        reason = " ".join(str(trouble).split())
        message = f"the dump cannot be read: {reason}"
        raise InputError.of("damaged-dump", path, message, "write it again") from trouble
    except BaseException as trouble:
        if type(trouble).__name__ != "PanicException":
            raise
        message = f"the dump cannot be read: {trouble}"
        raise InputError.of("damaged-dump", path, message, "write it again") from None


@contextmanager
def _silence() -> Iterator[None]:
    kept = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
