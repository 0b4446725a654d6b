"""A bench supply during a measurement: a context that ends at the nominal voltage.

One rule: every setting is read back and the device's error queue is emptied; and every way out of
the context restores the nominal voltage first, or complains loudly that it could not.
"""

from __future__ import annotations

import signal
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from types import FrameType
from typing import Self, TypeVar

from harness.errors import LinkError, SupplyTrouble
from harness.link import Port, SerialPort, shown_address
from harness.supply import messages as say
from harness.supply.model import Reading, SupplySpec
from harness.supply.numerals import read_number, read_switch
from harness.supply.wire import Wire

MAX_ERRORS = 32
"""Maximum number of entries that are read from an error queue."""

STEP_V, STEP_A = 0.02, 0.02
"""Maximum difference between a setting and the request: supplies round to such steps."""

LOOK_SECONDS = 0.02
Value = TypeVar("Value")
Handler = Callable[[int, FrameType | None], object] | int
ENDINGS = ("SIGTERM", "SIGHUP")
"""Signals that would end the process at once; Windows lacks some."""


def open_supply(
    spec: SupplySpec, port: str | None = None, before: Callable[[], None] = lambda: None
) -> BenchSupply:
    """Return a rack's bench supply; nothing is opened or set before the context begins.

    ``port`` replaces that of the spec, for example with a virtual supply's. ``before`` is called
    each time before the port is opened, for example to lock it; it may raise a LinkError.
    """
    url = port if port is not None else spec.port

    def opened() -> Port:
        before()
        return SerialPort(url, spec.baud, "bench supply")

    return BenchSupply(spec, opened, shown_address(url))


class BenchSupply:
    """A bench supply, from the nominal voltage back to the nominal voltage.

    The context first limits the current, sets the nominal voltage and then switches the output on;
    at its end it sets the nominal voltage again and leaves the output as it was before. SIGTERM and
    SIGHUP end it too, if it was entered in the main thread; a process that is killed outright
    cannot restore anything. Threads may take turns to use it, but not after its end.

    Raises SupplyTrouble for every fault of the device or its port, ConfigError for a voltage
    outside the limits. Neither says anything about a chip.
    """

    def __init__(self, spec: SupplySpec, opener: Callable[[], Port], where: str) -> None:
        self.spec = spec
        self.identity = ""
        self._opener = opener
        self._where = where
        self._wire: Wire | None = None
        self._turn = threading.RLock()
        self._was_on = False
        self._touched = False
        self._endings = ExitStack()

    def __enter__(self) -> Self:
        """Open the port, limit the current, set the nominal voltage, switch on."""
        say.voltage_message(self.spec.volts, self.spec.limits)
        self._wire = Wire(self._opener, self._where)
        self._endings.enter_context(_handled(ENDINGS, _end))
        try:
            self.identity = self._wire.ask(say.IDENTIFY)
            self._wire.send(say.CLEAR)
            self._errors()
            self._was_on = self._is_on()
            self._limit_current()
            self._set(self.spec.volts)
            self._output(say.OUTPUT_ON)
            self._settled(self.spec.volts)
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        """Restore the nominal voltage; raises SupplyTrouble with what to do if that fails."""
        self._leave()

    def set_volts(self, volts: float) -> float:
        """Set a voltage, wait until it is reached, and return the measured one in V.

        Raises ConfigError, before anything is sent, for one outside the limits.
        """
        with self._turn:
            self._set(volts)
            return self._settled(volts).volts

    def _set(self, volts: float) -> None:
        """Set a voltage and read the setting back, without waiting for the terminals."""
        message = say.voltage_message(volts, self.spec.limits)
        self._touched = True
        self._send(message)
        self._compare(say.VOLTAGE, volts, STEP_V, "V")

    def measured(self) -> Reading:
        """Measure at the terminals of the supply."""
        with self._turn:
            return Reading(self._number(say.MEASURED_VOLTAGE), self._number(say.MEASURED_CURRENT))

    def check(self, volts: float) -> None:
        """Check that a set voltage is still there: output, terminals, error queue.

        Changes nothing. Raises SupplyTrouble with every fault: measurements since the last check
        then say nothing about a chip.
        """
        with self._turn:
            trouble = self._trouble(volts)
            errors = self._errors()
            reported = f"the bench supply reports an error: {errors}" if errors else ""
        if trouble or reported:
            problems = "; ".join(filter(None, (trouble, reported)))
            raise SupplyTrouble(f"{self._where}: {problems}")

    def _trouble(self, volts: float) -> str:
        """Describe a fault of the output or terminals; empty if there is none."""
        if not self._is_on():
            return (
                "the output of the bench supply is off, and this program did not switch it off; "
                "its protection may have tripped; with the power off, look for a short and check "
                "its current limit"
            )
        reading = self.measured()
        return "" if self._is_there(reading, volts) else self._missed(volts, reading, "now")

    def _is_there(self, reading: Reading, volts: float) -> bool:
        return abs(reading.volts - volts) <= self.spec.tolerance_v

    def _missed(self, volts: float, reading: Reading, when: str) -> str:
        return (
            f"{volts:g} V was set, but {reading.volts:g} V is measured {when} at "
            f"{reading.amperes:g} A (limit {self.spec.limits.current_a:g} A); with the power "
            "off, look for a short or a current limit"
        )

    def _limit_current(self) -> None:
        limits = self.spec.limits
        self._send(say.current_message(limits))
        self._compare(say.CURRENT, limits.current_a, STEP_A, "A")

    def _output(self, message: str) -> None:
        self._send(message)
        if self._is_on() is not (message == say.OUTPUT_ON):
            raise SupplyTrouble(
                f'{self._where}: the bench supply accepted "{message}" but did not do it'
            )

    def _settled(self, volts: float) -> Reading:
        """Wait for the terminals to show a voltage."""
        end = time.monotonic() + self.spec.settle_s
        while True:
            late = time.monotonic() >= end
            reading = self.measured()
            if self._is_there(reading, volts):
                return reading
            if late:
                when = f"after {self.spec.settle_s:g} s"
                raise SupplyTrouble(f"{self._where}: {self._missed(volts, reading, when)}")
            time.sleep(LOOK_SECONDS)

    def _compare(self, query: str, wanted: float, step: float, unit: str) -> None:
        """Read a setting back: it must be what was set, except for the device's rounding."""
        actual = self._number(query)
        if abs(actual - wanted) > step:
            raise SupplyTrouble(
                f"{self._where}: {wanted:g} {unit} was set, but the bench supply is set to "
                f"{actual:g} {unit}; check its range and its own limits"
            )

    def _send(self, message: str) -> None:
        """Send a command; raise the errors that the device then has in its queue."""
        self._line.send(message)
        errors = self._errors()
        if errors:
            raise SupplyTrouble(f'{self._where}: the bench supply refused "{message}": {errors}')

    def _errors(self) -> str:
        """Empty the device's error queue; return its entries."""
        errors: list[str] = []
        while len(errors) < MAX_ERRORS:
            number, text = self._understood(say.NEXT_ERROR, say.read_error)
            if number == 0:
                break
            errors.append(f"{number}, {text}")
        return "; ".join(errors)

    def _number(self, query: str) -> float:
        return self._understood(query, read_number)

    def _is_on(self) -> bool:
        return self._understood(say.OUTPUT, read_switch)

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

    def _leave(self) -> None:
        """Restore, close, and reset the signal handlers."""
        with self._endings, _handled(("SIGINT", *ENDINGS), signal.SIG_IGN), self._turn:
            try:
                self._restore()
            finally:
                self._close()

    def _restore(self) -> None:
        """Set the nominal voltage, on a new connection if the old one is broken."""
        if not self._touched:
            return
        try:
            self._to_nominal()
        except LinkError:
            try:
                self._close()
                self._wire = Wire(self._opener, self._where)
                self._to_nominal()
            except LinkError as error:
                raise SupplyTrouble(
                    f"THE BENCH SUPPLY MAY STILL BE AT ANOTHER VOLTAGE: {error}. Set it to "
                    f"{self.spec.volts:g} V by hand now, or switch it off"
                ) from error

    def _close(self) -> None:
        """Close the port: from now on no voltage can be set."""
        if self._wire is not None:
            self._wire.close()
            self._wire = None

    def _to_nominal(self) -> None:
        """Set the nominal voltage, and the output as it was before."""
        self._errors()
        self._set(self.spec.volts)
        if not self._was_on and self._is_on():
            self._output(say.OUTPUT_OFF)


def _end(number: int, _frame: FrameType | None) -> None:
    """Unwind the program, and with it the context, instead of ending at once."""
    sys.exit(128 + number)


@contextmanager
def _handled(names: Iterable[str], handler: Handler) -> Iterator[None]:
    """Set a handler for signals that are not ignored; only the main thread receives any."""
    numbers: list[int] = []
    if threading.current_thread() is threading.main_thread():
        numbers = [number for name in names if (number := getattr(signal, name, None)) is not None]
    before = {
        number: signal.signal(number, handler)
        for number in numbers
        if signal.getsignal(number) is not signal.SIG_IGN
    }
    try:
        yield
    finally:
        # one that was left open may be collected in any thread, where no handler can be set
        if threading.current_thread() is threading.main_thread():
            for number, earlier in before.items():
                signal.signal(number, earlier)
