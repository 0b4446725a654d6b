"""A design's reference model, ``model.py``: loaded, and asked one step at a time.

One rule: the model's code runs here and nowhere else, when its author asks for it by name; whatever
it does wrong is a finding with the line in its file.
"""

from __future__ import annotations

import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType, TracebackType
from typing import Any, TypeVar

from harness.door import MAX_SETTINGS_BYTES, read_file
from harness.errors import Finding, Location, TableError, one_line
from harness.shuttle import Bus, Design, nearest

FILE = "model.py"
CLASS = "Model"
LIMIT_S = 10.0
"""Maximum time of one call of a model, in seconds."""

T = TypeVar("T")
Values = Mapping[str, int]
"""Values of signals by name."""


class _TimeUp(BaseException):
    """Raised inside a call that takes too long; no Exception, so that a model cannot catch it."""


@dataclass(frozen=True, eq=False)
class Model:
    """A loaded model, with the signals that it takes and returns."""

    path: Path
    inputs: tuple[Bus, ...]
    outputs: tuple[Bus, ...]
    code: Any
    limit_s: float

    def reset(self) -> None:
        """Put it into the state after a reset. Raises TableError, as everything here does."""
        self._call("reset", self.code.reset)

    def step(self, inputs: Values) -> dict[str, int]:
        """Do one row: return the value of each output that is tested after the row's clock."""
        returned = self._call("step", lambda: self.code.step(dict(inputs)))
        if not isinstance(returned, Mapping):
            what = type(returned).__name__
            raise self.error("step", f"step returned {what}", "return a dict of outputs by name")
        buses = {bus.name: bus for bus in self.outputs}
        for name, value in returned.items():
            if name not in buses:
                message = f"step returned {one_line(repr(name))}, which is not among its outputs"
                raise self.error("step", message, nearest(str(name), buses))
            if value is not None and not _fits(value, buses[name]):
                message = f"step returned {one_line(repr(value))[:60]} for {name}"
                highest = (1 << buses[name].width) - 1
                advice = f"return a number from 0 to {highest}, or None if it is not tested"
                raise self.error("step", message, advice)
        return {name: int(value) for name, value in returned.items() if value is not None}

    def state(self) -> str:
        """The present state as a text; empty if the model reports none."""
        if not hasattr(self.code, "state"):
            return ""
        return one_line(self._call("state", lambda: str(self.code.state())))

    def allowed(self, inputs: Values) -> bool:
        """Whether the model allows these inputs in its present state."""
        if not hasattr(self.code, "allowed"):
            return True
        return bool(self._call("allowed", lambda: self.code.allowed(dict(inputs))))

    def given(self, name: str, read: Callable[[Any], T]) -> T:
        """Read an attribute of the model as what it should be; one that it lacks is read as ()."""
        return self._call(name, lambda: read(getattr(self.code, name, ())))

    def _call(self, name: str, call: Callable[[], T]) -> T:
        return _called(self.path, name, call, self.limit_s)

    def error(self, name: str, message: str, advice: str) -> TableError:
        """Make the error of a mistake in one of its attributes, at its line if it is a method."""
        place = getattr(getattr(self.code, name, None), "__code__", None)
        line = place.co_firstlineno if place is not None else 0
        return _error(self.path, line, message, advice)


def load_model(design: Design, limit_s: float = LIMIT_S) -> Model:
    """Run ``model.py`` of a design's folder and make its ``Model``.

    Raises InputError with the line in the file if there is none, if it fails, or if it needs
    signals that the design does not have. ``limit_s`` is the time of a call, in seconds.
    """
    path = design.folder / FILE
    source = read_file(path, MAX_SETTINGS_BYTES)
    module = ModuleType(f"harness_model_{design.name}")
    sys.modules[module.__name__] = module  # dataclasses look their module up
    _called(path, "this file", lambda: _executed(source, path, module), limit_s)
    if not hasattr(module, CLASS):
        raise _error(path, 0, f"there is no class {CLASS}", "write one as the reference says")
    code = _called(path, CLASS, getattr(module, CLASS), limit_s)
    for name in ("reset", "step"):
        if not callable(getattr(code, name, None)):
            raise _error(path, 0, f"{CLASS} has no method {name}", "add it")
    inputs = _buses(path, design, code, "inputs", lambda bus: bus.can_be_driven)
    outputs = _buses(path, design, code, "outputs", lambda bus: bus.can_be_tested)
    if not outputs:
        raise _error(path, 0, f"{CLASS} has no outputs", "name the signals that step returns")
    return Model(path, inputs, outputs, code, limit_s)


def _executed(source: bytes, path: Path, module: ModuleType) -> None:
    exec(compile(source, path, "exec"), vars(module))  # noqa: S102 - the author asked for it


def _buses(
    path: Path, design: Design, code: Any, key: str, fits: Callable[[Bus], bool]
) -> tuple[Bus, ...]:
    known = {bus.name: bus for bus in design.signals if fits(bus)}
    names = _called(path, key, lambda: [str(name) for name in getattr(code, key, ())], LIMIT_S)
    for name in names:
        if name not in known:
            message = f'{key}: the design has no such signal "{one_line(name)[:60]}"'
            raise _error(path, 0, message, nearest(name, known))
    return tuple(known[name] for name in dict.fromkeys(names))


def _called(path: Path, name: str, call: Callable[[], T], limit_s: float) -> T:
    """Call the model's code; whatever comes out of it but a value is a TableError."""
    try:
        with _limited(limit_s):
            return call()
    except _TimeUp as trouble:
        message = f"{name} did not return within {limit_s:g} s"
        raise _error(path, _line(path, trouble.__traceback__), message, "let it end") from None
    except SyntaxError as trouble:
        message = f"not valid Python: {trouble.msg}"
        raise _error(path, trouble.lineno or 0, message, "correct this line") from trouble
    except (Exception, SystemExit) as trouble:
        what = f"{type(trouble).__name__}: {trouble}" if str(trouble) else type(trouble).__name__
        line = _line(path, trouble.__traceback__)
        message = f"{name} failed: {one_line(what)[:200]}"
        raise _error(path, line, message, "correct the model") from trouble


@contextmanager
def _limited(seconds: float) -> Iterator[None]:
    """Interrupt what takes too long, where the system can: in the main thread of a POSIX system."""
    if threading.current_thread() is not threading.main_thread() or not hasattr(
        signal, "setitimer"
    ):
        yield
        return

    def stop(*_: object) -> None:
        raise _TimeUp

    before = signal.signal(signal.SIGALRM, stop)
    earlier = signal.setitimer(signal.ITIMER_REAL, seconds, 1.0)  # again, should it be swallowed
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, *earlier)
        signal.signal(signal.SIGALRM, before)


def _line(path: Path, trace: TracebackType | None) -> int:
    """The innermost line of the model's own file."""
    frames = traceback.extract_tb(trace)
    lines = [frame.lineno or 0 for frame in frames if frame.filename == str(path)]
    return lines[-1] if lines else 0


def _fits(value: object, bus: Bus) -> bool:
    return isinstance(value, int) and 0 <= value < 1 << bus.width


def _error(path: Path, line: int, message: str, advice: str) -> TableError:
    return TableError([Finding("bad-model", Location(path, line), message, advice)])
