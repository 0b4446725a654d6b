"""Reads the value changes of a dump, batch by batch.

One rule: everything that is special about the library that reads dumps (PyPI ``pywellen``) is in
this module. It drops names that it does not know without a word, delivers a second stream of one
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
"""Number of changes after which a batch is handed over."""
Told = Callable[[str, float], None]
"""Gets what is being done and the part of it that is done, from 0 to 1."""


@dataclass(frozen=True)
class Dump:
    """A dump that is whole: its variables by full name with their widths, and its time.

    ``end`` is the last time stamp in units of ``tick``, such as ``1 ps``.
    """

    path: Path
    kind: DumpKind
    variables: Mapping[str, int]
    end: int
    tick: str


class Batch(NamedTuple):
    """Changes in order of time, whole time steps only.

    ``variable`` counts the names that were asked for; a value is an integer, or a text of
    ``0 1 x z …``, most significant first.
    """

    time: NDArray[np.int64]
    variable: NDArray[np.uint8]
    value: list[int | str]


def open_dump(path: Path, tell: Told) -> Dump:
    """Look a dump through and read its names; raises InputError if it is damaged."""
    whole = look_through(path, lambda part: tell("checking", part))
    waveform = _load(path)
    widths: dict[str, int] = {}
    for variable in waveform.all_vars():
        if variable.bitwidth and not (variable.is_real or variable.is_string):
            widths.setdefault(variable.full_name, variable.bitwidth)
    scale = waveform.timescale
    tick = f"{scale.factor} {scale.unit}" if scale is not None else "ticks"
    return Dump(path, whole.kind, widths, whole.end, tick)


def stream(dump: Dump, names: Sequence[str], take: Callable[[Batch], None], tell: Told) -> None:
    """Deliver every change of these variables; each of them must be one of the dump's."""
    assert set(names) <= dump.variables.keys()
    waveform = _load(dump.path)
    ids = {v.full_name: str(v.signal_id) for v in reversed(waveform.all_vars())}
    places: dict[str, int] = {}
    for place, name in enumerate(names):
        places.setdefault(ids[name], place)
    gathered = _Gathered(places, take, lambda time: tell("reading", time / max(1, dump.end)))
    with _sound(dump.path):
        waveform.stream_changes(gathered.callback(), list(names))
    gathered.flush()


def same_variable(dump: Dump, names: Sequence[str]) -> list[int]:
    """Return for each name the first of the names that is the same variable."""
    ids = {v.full_name: str(v.signal_id) for v in reversed(_load(dump.path).all_vars())}
    wanted = [ids[name] for name in names]
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

    def callback(self) -> Callable[[int, object, int | str], None]:
        """Return the function that the library calls."""
        times, names, values = self._times, self._ids, self._values
        add_time, add_name, add_value = times.append, names.append, values.append

        def change(time: int, name: object, value: int | str) -> None:
            add_time(time)
            add_name(name)
            add_value(value)
            if len(times) >= BATCH:
                self._whole_steps()

        return change

    def _whole_steps(self) -> None:
        """Hand over all but the last time step, of which more changes may follow."""
        stop = len(self._times) - 1
        while stop and self._times[stop - 1] == self._times[-1]:
            stop -= 1
        if stop:
            self._hand_over(stop)
            self._passed(self._times[0])

    def flush(self) -> None:
        """Hand over what is left."""
        if self._times:
            self._hand_over(len(self._times))

    def _hand_over(self, stop: int) -> None:
        count = np.fromiter(
            map(self._places.__getitem__, map(str, self._ids[:stop])), np.uint8, stop
        )
        self._take(Batch(np.array(self._times[:stop], np.int64), count, self._values[:stop]))
        for column in (self._times, self._ids, self._values):
            del column[:stop]


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
    """Raise InputError for whatever the library raises about the file.

    A panic is no Exception, and prints a backtrace to the stream of errors: that is closed to it.
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
