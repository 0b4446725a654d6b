"""A chip in one's hand: select a design, set its pins by name, clock it, wait, read, assert.

One rule: a step runs on the open session of the slot's station or not at all. What a lost link
interrupted is never repeated: the state of the chip went with it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import NoReturn, TypeVar

from harness.board import Capture, Mismatch, RunConditions
from harness.convert import save_table
from harness.errors import (
    BoardMisbehaved,
    HarnessError,
    HostMisuse,
    LinkError,
    PinsOpen,
    many,
)
from harness.hand.asked import Asking, Row, Value, pattern_of
from harness.hand.kept import Kept
from harness.hand.wrong import wrong_text
from harness.judge import RetryPolicy
from harness.rack import BoardSession, Rack, Slot, Station, cases, not_back, read_jobs, usable
from harness.records import Outcome, Reason, RehearsalResult, Verdict
from harness.shuttle import Design, Direction, nearest

__tracebackhide__ = True  # pytest shows the line of the test, not those of this file
ENDED = "what the chip held is lost with it; select the design again"
FLOATS = (
    "these pins follow the weak pulls, so nothing drives them: the design released them, or there "
    "is no connection to the chip. The chip was not judged"
)
Done = TypeVar("Done")


class HandledChip:
    """A chip on a board, or a virtual one. Made by ``harness.open_chip``.

    Signals are named as in ``design.toml``, or by one bit (``"q[2]"``) or by the chip's pin;
    methods take a mapping for names that are no Python words. A value is a number or the text of
    a table's cell. Every step runs at once and its levels are held until something else is set.

    A wrong name or value raises ValueError, a board that cannot do its part LinkError or another
    HarnessError, and an output that is not as expected AssertionError, which nothing else raises.
    """

    def __init__(
        self,
        rack: Rack,
        slot: Slot,
        station: Station,
        whose: str,
        selecting: Callable[[Design], None],
    ) -> None:
        self._rack, self._slot, self._station = rack, slot, station
        self._whose, self._selecting = whose, selecting
        self._asking: Asking | None = None
        self._kept = Kept()
        self._reset_cycles = 0
        self._ended: HarnessError | None = None

    def select(self, design: str, reset_cycles: int = 2) -> None:
        """Select a design and clock it ``reset_cycles`` times with reset active.

        Inputs are then at their defaults: low, reset inactive. A new record begins.
        """
        known = self._rack.shuttle.designs_by_name
        if design not in known:
            raise ValueError(f'no design "{design}"; {nearest(design, known)}')
        self._selecting(known[design])
        self._asking = asking = Asking(known[design], self._rack.shuttle)
        self._ended, self._kept, self._reset_cycles = None, Kept(), reset_cycles
        self._use(lambda session: session.select(asking.design))
        self._run(asking.held(), reset_cycles=reset_cycles)

    def put_down(self) -> None:
        """Forget what was done; until a design is selected, every step is refused."""
        self._asking, self._kept = None, Kept()

    def set(self, levels: Mapping[str, Value] | None = None, /, **more: Value) -> None:
        """Drive inputs, without a clock pulse: ``set(en=1, d="0x5")``; ``"F"`` releases a pin."""
        self._keep(self._hand.driven({**(levels or {}), **more}))

    def clock(self, cycles: int = 1, on: str = "") -> None:
        """Pulse the clock (low, high, low), or the input named ``on``, some times."""
        if cycles < 1:
            raise ValueError(f"{cycles} cycles; clock at least 1")
        self._keep(self._hand.driven({on or self._signal_on(Direction.CLOCK): "C"}, cycles))

    def reset(self, cycles: int = 2) -> None:
        """Clock the design with its reset pin active; the other inputs stay as they are."""
        active = int(not self._rack.shuttle.reset_active_low)
        name = self._signal_on(Direction.RESET)
        self.set({name: active})
        self.clock(cycles)
        self.set({name: 1 - active})

    def read(self, name: str) -> int:
        """Read an output as a number."""
        bus = self._hand.readable(name)
        return bus.value(self._look(bus.mask))

    def outputs(self) -> dict[str, int]:
        """Read every output, by name, in one cycle."""
        signals = self._hand.outputs()
        word = self._look(sum(signal.mask for signal in signals))
        return {signal.name: signal.value(word) for signal in signals}

    def floats(self, name: str) -> bool:
        """Whether nothing drives an output: each of its pins follows a weak pull both ways."""
        mask = self._hand.readable(name).mask
        floating = self._floating(mask)
        if floating:
            self._kept.add(replace(self._hand.held(), highz=floating, observed=floating))
        return floating == mask

    def expect(self, outputs: Mapping[str, Value] | None = None, /, **more: Value) -> None:
        """Test outputs now: ``expect(q=12, ready="H", sda="Z")``.

        Raises AssertionError naming the wrong pins, or PinsOpen if all of them float.
        """
        row = self._hand.expected({**(outputs or {}), **more})
        capture = self._run(row)
        if capture.mismatches:
            self._refuse(row, capture.mismatches[0], "")
        self._kept.add(row)

    def wait(
        self, cycles: int, /, outputs: Mapping[str, Value] | None = None, **more: Value
    ) -> int:
        """Clock until the outputs are as given, at most this often; returns the cycles it took.

        The board itself waits. Raises as :meth:`expect` does.
        """
        row = self._hand.expected({**(outputs or {}), **more})
        if row.highz or not row.care or cycles < 1:
            raise ValueError("wait at least 1 cycle, for H, L or a number on some output")
        with suppress(ValueError):  # a design without a clock is only waited for
            row = replace(row, pulse=self._hand.column(self._signal_on(Direction.CLOCK)).bus.mask)
        capture = self._run(replace(row, repeat=cycles, until=True))
        if capture.mismatches:
            waited = replace(self._hand.held(), pulse=row.pulse, repeat=cycles)
            self._kept.add(waited)
            self._refuse(row, capture.mismatches[0], f" after {many(cycles, 'cycle')}")
        self._kept.add(replace(row, repeat=cycles, until=True))
        return capture.until_used[0]

    def run_table(self, name: str) -> Outcome:
        """Run a table (``"crc16/check"``, or one of the selected design) and judge it by itself.

        A table that fails on its design's netlist too is the table's fault, not the chip's.
        Raises InputError if the table cannot be used, LinkError if the board cannot be reached;
        what goes wrong with the board later is an outcome with the verdict ERROR. To go on by
        hand, select the design again.
        """
        if "/" not in name:
            name = f"{self.design.name}/{name}"
        shuttle = self._rack.shuttle
        known = {f"{d.name}/{s.name}": (d, s) for d in shuttle.designs for s in d.tables}
        if name not in known:
            raise ValueError(f'no table "{name}"; {nearest(name, known)}')
        (job,) = usable(*read_jobs(shuttle, [known[name]]))
        (case,) = cases(self._rack, self._slot, [job])
        self._asking = None
        ran = self._station.run(case, RetryPolicy())
        outcome = ran.outcome if ran.gone is None else not_back(ran.outcome, str(ran.gone))
        if outcome.verdict is Verdict.FAIL and job.rehearsal.result is RehearsalResult.FAILS:
            reason = Reason.TABLE_FAILS_REHEARSAL
            outcome = replace(outcome, reason=reason, advice=reason.advice)
        return replace(outcome, summary=" ".join((outcome.summary, *self._station.remarks())))

    def record(self, file: str, *, replace: bool = False) -> Path:
        """Write what was done since the design was selected as a table; returns its path.

        ``file`` is a name such as ``hand.csv``; the table is written beside ``design.toml`` and
        listed there. Outputs that were read are its expected values: they say what this chip did,
        so the table is marked ``unconfirmed`` and runs only where it is named, until the author
        removes the mark. Raises ConfigError if the table is there already, unless ``replace``.
        """
        design = self.design
        day = datetime.now(UTC).date().isoformat()
        draft = self._kept.draft(design, (f"Recorded by hand on {self._whose}, {day}.",))
        settings: dict[str, object] = {"reset_cycles": self._reset_cycles}
        if self._kept.observed:
            settings["unconfirmed"] = f"observed on {self._whose}"
        return save_table(
            design, file.removesuffix(".csv"), draft.lines(), settings, replace=replace
        )

    def __repr__(self) -> str:
        selected = self._asking.design.name if self._asking else "no design"
        return f"<chip {self._slot.chip}, {selected} selected>"

    @property
    def design(self) -> Design:
        """The design that is selected; raises ValueError if there is none."""
        return self._hand.design

    @property
    def _hand(self) -> Asking:
        if self._asking is None:
            raise ValueError("no design is selected; use select")
        return self._asking

    def _signal_on(self, direction: Direction) -> str:
        """Name the design's signal on the chip's clock or reset pin; raises ValueError."""
        for name in self.design.names_on(direction):
            return name
        raise ValueError(f"design {self.design.name} has no signal on the chip's {direction} pin")

    def _look(self, mask: int) -> int:
        """Read pins, and keep what they showed as observed."""
        row = self._hand.held()
        word, _ = self._words(row)
        self._kept.add(replace(row, care=mask, expect=word & mask, observed=mask))
        return word

    def _floating(self, mask: int) -> int:
        """Return which of these pins follow weak pulls."""
        _, floating = self._words(replace(self._hand.held(), highz=mask))
        return floating & mask

    def _words(self, row: Row) -> tuple[int, int]:
        """Run a row of one cycle; returns the levels read, and the pins found floating."""
        window = self._run(row).window
        if window is None:
            raise BoardMisbehaved("the board did not send the words that were asked for")
        return int(window.seen[0]), int(window.floating[0])

    def _keep(self, row: Row) -> None:
        self._run(row)
        self._kept.add(row)

    def _refuse(self, row: Row, bad: Mismatch, when: str) -> NoReturn:
        """Raise AssertionError for wrong outputs; PinsOpen if nothing at all drives these."""
        design = self.design
        text = f"{design.name} on {self._whose}{when}: {wrong_text(design, row, bad)}"
        levels = bad.wrong & row.care
        if levels == bad.wrong == self._floating(levels):
            raise PinsOpen(f"{text}; {FLOATS}")
        raise AssertionError(text)

    def _run(self, row: Row, reset_cycles: int = 0) -> Capture:
        design = self.design
        pattern = pattern_of(design, [row])
        conditions = RunConditions(design.clock_hz, reset_cycles=reset_cycles)
        return self._use(lambda session: session.run(pattern, conditions, window=(0, 1)))

    def _use(self, work: Callable[[BoardSession], Done]) -> Done:
        """Work on the open session; once its link is lost, refuse until a design is selected."""
        if self._ended is not None:
            raise self._ended
        try:
            return self._station.once(work)
        except HostMisuse:
            raise
        except LinkError as error:
            self._ended = error.more(ENDED)
            self._station.close()
            raise self._ended from error
        except KeyboardInterrupt:
            self._ended = LinkError(f"the step before was interrupted; {ENDED}")
            self._station.close()
            raise
