"""A design's reference model, ``model.py``: loaded, and asked one step at a time.

One rule: the model's code runs here and nowhere else, when its author asks for it by name; each
mistake in it is a finding with the line in its file.
"""

from __future__ import annotations

import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice
from pathlib import Path
from types import CodeType, ModuleType, TracebackType
from typing import Any, TypeVar

from harness.door import MAX_SETTINGS_BYTES, read_file
from harness.errors import TableError, one_line
from harness.shuttle import Bus, Design, nearest

FILE = "model.py"
CLASS = "Model"
LIMIT_S = 10.0
"""Maximum time of one call of a model, in seconds."""
MAX_NAMES = 1000
"""Maximum number of signals that a model may name."""
MAX_TEXT = 200
"""Maximum length of a text that a model gives, such as a state."""

T = TypeVar("T")
V = TypeVar("V")
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
        return self._call("step", lambda: self._outputs(self.code.step(dict(inputs))))

    def _outputs(self, returned: object) -> dict[str, int]:
        if not isinstance(returned, Mapping):
            what = type(returned).__name__
            raise self.error("step", f"step returned {what}", "return a dict of outputs by name")
        buses = {bus.name: bus for bus in self.outputs}
        tested = {}
        for name, value in some(returned.items(), len(buses)):
            if name not in buses:
                message = f"step returned {shown(name)}, which is not among its outputs"
                raise self.error("step", message, nearest(str(name)[:60], buses))
            if value is None:
                continue
            number = int.__int__(value) if isinstance(value, int) else -1
            if not 0 <= number < 1 << buses[name].width:
                highest = (1 << buses[name].width) - 1
                advice = f"return a number from 0 to {highest}, or None if it is not tested"
                raise self.error("step", f"step returned {shown(value)} for {name}", advice)
            tested[name] = number
        return tested

    def state(self) -> str:
        """The present state as a text; empty if the model reports none."""
        code = self.code
        return self._call("state", lambda: plain(code.state()) if hasattr(code, "state") else "")

    def allowed(self, inputs: Values) -> bool:
        """Whether the model allows these inputs in its present state."""
        code = self.code
        return self._call(
            "allowed", lambda: not hasattr(code, "allowed") or bool(code.allowed(dict(inputs)))
        )

    def given(self, name: str, read: Callable[[Any], T]) -> T:
        """Read an attribute of the model as what it should be; one that it lacks is read as ()."""
        return self._call(name, lambda: read(getattr(self.code, name, ())))

    def _call(self, name: str, call: Callable[[], T]) -> T:
        return _called(self.path, name, call, self.limit_s)

    def error(self, name: str, message: str, advice: str) -> TableError:
        """Make the error of a mistake in one of its attributes, at its line if it is a method."""
        place = getattr(getattr(self.code, name, None), "__code__", None)
        line = place.co_firstlineno if isinstance(place, CodeType) else 0
        return _error(self.path, line, message, advice)


def some(values: Iterable[V], most: int) -> list[V]:
    """Take the values of a model that may give them without an end; raises ValueError."""
    taken = list(islice(values, most + 1))
    if len(taken) > most:
        raise ValueError(f"more than {most:,} values")
    return taken


def plain(text: object) -> str:
    """Return what a model gives as a text, in one line and cut to its maximum length."""
    return one_line(str(text)[:MAX_TEXT])


def shown(value: object) -> str:
    """Return a value of a model for a message: a number of any size, anything else cut."""
    if isinstance(value, int) and value.bit_length() > 64:
        return f"a number of {value.bit_length():,} bits"
    return one_line(repr(value))[:60]


def load_model(design: Design, limit_s: float = LIMIT_S) -> Model:
    """Run ``model.py`` of a design's folder and make its ``Model``.

    Raises InputError with the line in the file if there is none, if it fails, or if it needs
    signals that the design does not have. ``limit_s`` is the time of a call, in seconds.
    """
    path = design.folder / FILE
    source = read_file(path, MAX_SETTINGS_BYTES)
    module = ModuleType(f"harness_model_{design.name}")
    sys.modules[module.__name__] = module  # dataclasses look their module up

    def call(name: str, code: Callable[[], T]) -> T:
        return _called(path, name, code, limit_s)

    call("this file", lambda: _executed(source, path, module))
    made = call(CLASS, lambda: getattr(module, CLASS, None))
    if made is None:
        raise _error(path, 0, f"there is no class {CLASS}", "write it as vectors/README.md shows")
    code = call(CLASS, made)
    for name in ("reset", "step"):
        if not call(name, lambda name=name: callable(getattr(code, name, None))):  # type: ignore[misc]
            raise _error(path, 0, f"{CLASS} has no method {name}", "add it")
    model = Model(path, (), (), code, limit_s)
    inputs = model.given("inputs", partial(_buses, model, design, "inputs"))
    outputs = model.given("outputs", partial(_buses, model, design, "outputs"))
    if not outputs:
        raise _error(path, 0, f"{CLASS} has no outputs", "name the signals that step returns")
    return replace(model, inputs=inputs, outputs=outputs)


def _executed(source: bytes, path: Path, module: ModuleType) -> None:
    try:
        code = compile(source, path, "exec")
    except SyntaxError as trouble:
        message = f"not valid Python: {trouble.msg}"
        raise _error(path, trouble.lineno or 0, message, "correct this line") from trouble
    exec(code, vars(module))  # noqa: S102 - the author asked for it


def _buses(model: Model, design: Design, key: str, given: Any) -> tuple[Bus, ...]:
    """Return the signals that an attribute names."""
    fits = (bus.can_be_driven if key == "inputs" else bus.can_be_tested for bus in design.signals)
    known = {bus.name: bus for bus, fit in zip(design.signals, fits, strict=True) if fit}
    names = [plain(name) for name in some(given, MAX_NAMES)]
    for name in names:
        if name not in known:
            message = f'{key}: the design has no such signal "{name[:60]}"'
            raise model.error(key, message, nearest(name[:60], known))
    return tuple(known[name] for name in dict.fromkeys(names))


def _called(path: Path, name: str, call: Callable[[], T], limit_s: float) -> T:
    """Call the model's code; anything but a value becomes a TableError."""
    try:
        with _limited(limit_s):
            return call()
    except (TableError, KeyboardInterrupt):
        raise
    except _TimeUp as trouble:
        message = f"{name} did not return within {limit_s:g} s"
        raise _error(path, _line(path, trouble.__traceback__), message, "let it end") from None
    except BaseException as trouble:  # noqa: BLE001 - also those that no program should catch
        line = _line(path, trouble.__traceback__)
        message = f"{name} failed: {_words_of(trouble, limit_s)}"
        raise _error(path, line, message, "correct the model") from None


def _words_of(trouble: BaseException, limit_s: float) -> str:
    """Say what was raised; its text is made by the model too."""
    kind = type(trouble).__name__
    try:
        with _limited(limit_s):
            return f"{kind}: {text}" if (text := plain(trouble)) else kind
    except KeyboardInterrupt:
        raise
    except BaseException:  # noqa: BLE001 - also those that no program should catch
        return kind


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


def _error(path: Path, line: int, message: str, advice: str) -> TableError:
    return TableError.of("bad-model", path, message, advice, line)
