"""The bench supply while a chip is measured on it: a context that ends at the nominal voltage.

One rule: whatever is set is read back and the device's error queue is emptied, and whatever ends
the context, the nominal voltage comes back first or a loud complaint says by how much it did not.
"""

from __future__ import annotations

import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType, TracebackType
from typing import Self, TypeVar

from harness.errors import LinkError, SupplyTrouble
from harness.link import Port, SerialPort, shown_address
from harness.supply import messages as say
from harness.supply.model import Reading, SupplySpec
from harness.supply.numerals import read_number, read_switch
from harness.supply.wire import Wire

MOST_ERRORS = 32
"""So many entries of an error queue are read at most; a queue that is longer never ends."""

STEP_V, STEP_A = 0.02, 0.02
"""How far a setting may be from what was asked: the steps that supplies round to."""

LOOK_SECONDS = 0.02
Value = TypeVar("Value")
ENDINGS = ("SIGTERM", "SIGHUP")
"""Signals that would end the process without another word; Windows lacks some."""


def open_supply(
    spec: SupplySpec, port: str | None = None, before: Callable[[], None] = lambda: None
) -> BenchSupply:
    """Make ready to use a rack's bench supply; nothing is opened or set before the context begins.

    ``port`` stands for the spec's own, as that of a virtual supply. ``before`` is called each time
    before the port is opened, as to lock it; it may raise a LinkError.
    """
    url = port if port is not None else spec.port

    def opened() -> Port:
        before()
        return SerialPort(url, spec.baud, "bench supply")

    return BenchSupply(spec, opened, shown_address(url))


class BenchSupply:
    """A bench supply, from the nominal voltage back to the nominal voltage.

    At its begin the context limits the current, sets the nominal voltage and then switches the
    output on; at its end it sets the nominal voltage again and leaves the output as it was found.
    SIGTERM and SIGHUP end it too, if it was begun in the main thread; a process that is killed
    outright cannot restore anything. Threads may use it by turns; once it is left, none can.

    Raises SupplyTrouble for whatever the device or its port gets wrong, ConfigError for a voltage
    outside the limits. Neither says anything about a chip.
    """

    def __init__(self, spec: SupplySpec, opener: Callable[[], Port], where: str) -> None:
        self.spec = spec
        self.identity = ""
        self._opener = opener
        self._where = where
        self._wire: Wire | None = None
        self._turn = threading.RLock()
        self._found_on = False
        self._touched = False
        self._signals: dict[int, object] = {}

    def __enter__(self) -> Self:
        """Open the port, limit the current, set the nominal voltage, switch on."""
        say.voltage_message(self.spec.volts, self.spec.limits)
        self._wire = self._opened()
        self._catch_endings()
        try:
            self.identity = self._wire.ask(say.WHO)
            self._wire.tell(say.FORGET)
            self._errors()
            self._found_on = self._switch(say.OUTPUT)
            self._limit_current()
            self._set(self.spec.volts)
            self._output(say.OUTPUT_ON)
            self._settled(self.spec.volts)
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Restore the nominal voltage; raises SupplyTrouble that says what to do if it fails."""
        self._leave()

    def set_volts(self, volts: float) -> float:
        """Set a voltage, wait until it is there, and give what is measured, in V.

        Raises ConfigError, before anything is sent, for one outside the limits.
        """
        with self._turn:
            self._set(volts)
            return self._settled(volts).volts

    def _set(self, volts: float) -> None:
        """Set a voltage and read the setting back, without waiting for the terminals."""
        message = say.voltage_message(volts, self.spec.limits)
        self._touched = True
        self._tell(message)
        self._compare(say.VOLTAGE, volts, STEP_V, "V")

    def measured(self) -> Reading:
        """What the supply measures at its terminals now."""
        with self._turn:
            return Reading(self._number(say.MEASURED_VOLTAGE), self._number(say.MEASURED_CURRENT))

    def check(self, volts: float) -> None:
        """See that a voltage which was set is still there: output, terminals, error queue.

        Changes nothing. Raises SupplyTrouble with whatever is wrong: what was measured meanwhile
        says nothing about a chip.
        """
        with self._turn:
            found = [*self._output_trouble(), *self._voltage_trouble(volts)][:1]
            errors = "; ".join(str(error) for error in self._errors())
            if errors:
                found.append(f"the bench supply reports an error: {errors}")
        if found:
            raise SupplyTrouble(f"{self._where}: {'; '.join(found)}")

    def _output_trouble(self) -> Iterator[str]:
        if not self._switch(say.OUTPUT):
            yield (
                "the output of the bench supply is off, and this program did not switch it off; "
                "its protection may have tripped: look for a short and at its current limit, with "
                "the power off"
            )

    def _voltage_trouble(self, volts: float) -> Iterator[str]:
        reading = self.measured()
        if abs(reading.volts - volts) > self.spec.tolerance_v:
            yield (
                f"{volts:g} V was set and {reading.volts:g} V is measured now, at "
                f"{reading.amperes:g} A (limit {self.spec.limits.current_a:g} A); look for a short "
                "or a current limit, with the power off"
            )

    def _limit_current(self) -> None:
        limits = self.spec.limits
        self._tell(say.current_message(limits))
        self._compare(say.CURRENT, limits.current_a, STEP_A, "A")

    def _output(self, message: str) -> None:
        self._tell(message)
        if self._switch(say.OUTPUT) is not (message == say.OUTPUT_ON):
            raise SupplyTrouble(
                f'{self._where}: the bench supply took "{message}" without doing it'
            )

    def _settled(self, volts: float) -> Reading:
        """Wait for the terminals to show a voltage."""
        end = time.monotonic() + self.spec.settle_s
        while True:
            late = time.monotonic() >= end
            reading = self.measured()
            if abs(reading.volts - volts) <= self.spec.tolerance_v:
                return reading
            if late:
                raise SupplyTrouble(
                    f"{self._where}: {volts:g} V was set and {reading.volts:g} V is measured after "
                    f"{self.spec.settle_s:g} s, at {reading.amperes:g} A (limit "
                    f"{self.spec.limits.current_a:g} A); look for a short or a current limit, with "
                    "the power off"
                )
            time.sleep(LOOK_SECONDS)

    def _compare(self, query: str, wanted: float, step: float, unit: str) -> None:
        """Read a setting back: it must be what was set, but for the device's own rounding."""
        found = self._number(query)
        if abs(found - wanted) > step:
            raise SupplyTrouble(
                f"{self._where}: {wanted:g} {unit} was set, but the bench supply is set to "
                f"{found:g} {unit}; look at its range and its own limits"
            )

    def _tell(self, message: str) -> None:
        """Send a command; raises what the device's error queue then holds."""
        self._line.tell(message)
        errors = self._errors()
        if errors:
            told = "; ".join(str(error) for error in errors)
            raise SupplyTrouble(f'{self._where}: the bench supply refused "{message}": {told}')

    def _errors(self) -> list[say.ScpiError]:
        """Empty the device's error queue."""
        found: list[say.ScpiError] = []
        while len(found) < MOST_ERRORS:
            error = self._understood(say.NEXT_ERROR, say.read_error)
            if error.number == 0:
                break
            found.append(error)
        return found

    def _number(self, query: str) -> float:
        return self._understood(query, read_number)

    def _switch(self, query: str) -> bool:
        return self._understood(query, read_switch)

    def _understood(self, query: str, read: Callable[[str], Value]) -> Value:
        reply = self._line.ask(query)
        try:
            return read(reply)
        except ValueError as error:
            message = f'{self._where}: the answer to "{query}" cannot be used: {error}'
            raise SupplyTrouble(f"{message}; check that the device speaks SCPI") from error

    @property
    def _line(self) -> Wire:
        if self._wire is None:
            raise SupplyTrouble(f"{self._where}: the bench supply is not in use")
        return self._wire

    def _opened(self) -> Wire:
        try:
            return Wire(self._opener(), self._where)
        except LinkError as error:
            raise SupplyTrouble(str(error)) from error

    def _leave(self) -> None:
        """Restore, close, and let signals go where they went before."""
        try:
            with _undisturbed(), self._turn:
                try:
                    self._restore()
                finally:
                    self._close()
        finally:
            self._release_endings()

    def _restore(self) -> None:
        """Set the nominal voltage, on a new connection if the old one is broken."""
        if not self._touched:
            return
        try:
            self._to_nominal()
        except LinkError:
            try:
                self._reopen()
                self._to_nominal()
            except LinkError as error:
                raise SupplyTrouble(
                    f"THE BENCH SUPPLY MAY STILL STAND AT ANOTHER VOLTAGE: {error}. Set it to "
                    f"{self.spec.volts:g} V by hand, or switch it off, now"
                ) from error

    def _reopen(self) -> None:
        self._close()
        self._wire = self._opened()

    def _close(self) -> None:
        """Let go of the port: from now on nobody sets a voltage."""
        if self._wire is not None:
            self._wire.close()
            self._wire = None

    def _to_nominal(self) -> None:
        """Leave the supply at the nominal voltage, its output as it was found."""
        self._errors()
        self._set(self.spec.volts)
        if not self._found_on and self._switch(say.OUTPUT):
            self._output(say.OUTPUT_OFF)

    def _catch_endings(self) -> None:
        if threading.current_thread() is not threading.main_thread():
            return
        for name in ENDINGS:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                self._signals[number] = signal.signal(number, _end)

    def _release_endings(self) -> None:
        for number, before in self._signals.items():
            signal.signal(number, before)  # type: ignore[arg-type]
        self._signals.clear()


def _end(number: int, frame: FrameType | None) -> None:
    """Unwind the program, and with it the context, instead of ending at once."""
    del frame
    sys.exit(128 + number)


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Keep Ctrl-C from ending what must be done; outside the main thread there is none."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    numbers = [signal.SIGINT, *(n for name in ENDINGS if (n := getattr(signal, name, None)))]
    before = {number: signal.signal(number, signal.SIG_IGN) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
