"""Pins of an RP2040 or RP2350 by its PIO and DMA: inside a burst hardware times every cycle.

One state machine drives all pins from words in memory and reads all pins; one DMA channel brings
the words, a second takes the words read, and a third and fourth give them their control blocks.
One rule: every register is reached through ``bus``, none is written before ``bind`` has checked
which controller this is, and release restores their former state.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Sequence
from typing import Literal

from .codec import ALL_FIELDS, FIELD_PULSE
from .engine import Engine, Refused
from .faces import BusFace, Vector, Words
from .protocol import GAP_FREE, PULSES, UNTIL
from .rp2_back import give_repeats
from .rp2_chip import (
    FUNCTION_PIO,
    GET_STATE,
    PIO_CTRL,
    PIO_FDEBUG,
    PIO_FLEVEL,
    PIO_FSTAT,
    PIO_MEMORY,
    PIO_RXF,
    PIO_TXF,
    RX_EMPTY,
    SET_BITS,
    SM_CLKDIV,
    SM_INSTR,
    SM_PINCTRL,
    SM_RESTART,
    SM_SHIFTCTRL,
    STALLED,
    TX_EMPTY,
    TX_LEVEL,
    Bus,
    cross,
    crossing,
    floating_pins,
    refuse_other_chips,
    save_state,
    take_pins,
)
from .rp2_plan import BurstPlan
from .rp2_start import EMPTY, STOP, Writes
from .rp2_stream import any_set
from .rp2_timing import OUT_NULL, OUT_PINDIRS, OUT_PINS, fraction, layout
from .rp2040 import PIO_BASE, PIO_PINS

ABOUT = {
    "exact": True,
    "tick_ns": 8,
    "rate_hz": 31_250_000,
    "samples": True,
    "ticks": (4, 6),
    "sync_ticks": 2,
    "latest_ticks": 1055,
    "needs": (
        "rp2_chip",
        "rp2_timing",
        "rp2_stream",
        "rp2_plan",
        "rp2_back",
        "rp2_start",
        "thumb",
        "thumb_rp2",
        "thumb_in",
    ),
    "pins": 48,
    "windows": ((0, 31), (16, 47)),
    "controllers": ("RP2040", "RP2350", "RP2350A", "RP2350B"),
}
"""Its abilities (``Backend`` in ``backends``); times are an RP2040's, whose clock is 125 MHz."""

ALL_PINS = PIO_PINS << 20
"""PINCTRL: OUT and IN over all pins in reach."""
AUTOMATIC = (1 << 16) | (1 << 17) | (1 << 18) | (1 << 19)
"""SHIFTCTRL: pull and push automatically, 32 bits each."""


class Pins:
    """Controller pins in the order in which the host bound them.

    ``bursts`` counts starts of the clock: by hardware for a whole burst, or by software for a
    single cycle.
    """

    name = "rp2"
    exact: Literal[True] = True
    rows = 1024

    def __init__(self, bus: BusFace | None = None, stream: int = 2048, capture: int = 4096) -> None:
        self.bus = bus or Bus()
        self.numbers: list[int] = []
        self.saved: list[tuple[int, int]] = []
        self.bursts = 0
        self.idle: Callable[[], None] | None = None
        self.loaded: Writes | None = None
        self.enabled = 0
        self.levels = 0
        self.row_words = 1
        self.plan = BurstPlan(self.bus, stream, capture)
        self.asked: tuple[int, ...] = ()
        self.timed: tuple[int, ...] = (1250, 0, 0)
        self.writes: dict[int, Writes] = {}

    def serial(self) -> str:
        """The controller's unique number in hex."""
        return self.bus.serial()

    def limits(self) -> dict[str, int]:
        """The limits of a burst: the clock whose ticks it counts, and what fits."""
        return {
            "clock_hz": self.clock(),
            "captured": self.plan.max_kept,
            "words": self.plan.max_words,
        }

    def clock(self) -> int:
        """The system clock in Hz; refuses other chips first."""
        refuse_other_chips(self.bus, self.name)
        return self.bus.frequency()

    def bind(self, numbers: Sequence[int]) -> None:
        """Take these pins, all as inputs without a pull.

        Raises Refused on another controller, or if another program uses the PIO or the DMA.
        """
        refuse_other_chips(self.bus, self.name)
        self.release()
        self.numbers = list(numbers)
        base = 16 if max(self.numbers) > 31 else 0
        bits = range(len(self.numbers))
        self.outward = crossing([(bit, self.numbers[bit] - base) for bit in bits])
        self.inward = crossing([(self.numbers[bit] - base, bit) for bit in bits])
        self.saved = save_state(self.bus, self.numbers)
        if PIO_BASE:
            self.bus.write(PIO_BASE, base)
        self.set_up()
        take_pins(self.bus, self.numbers, FUNCTION_PIO)

    def set_up(self) -> None:
        """Take over the state machine, with every pin an input."""
        write = self.bus.write
        write(SM_CLKDIV, 1 << 16)
        write(SM_SHIFTCTRL, AUTOMATIC)
        write(SM_PINCTRL, ALL_PINS)
        self.loaded = None
        self.halt()
        self.order(OUT_PINDIRS, 0)
        self.enabled = 0
        self.levels = 0

    def order(self, instruction: int, value: int) -> None:
        """Have the halted state machine execute an instruction that takes a word."""
        self.bus.write(PIO_TXF, value)
        self.bus.write(SM_INSTR, instruction)

    def halt(self) -> None:
        """Stop the machine and the DMA wherever they are, and empty the queues between them."""
        read, write = self.bus.read, self.bus.write
        self.bus.put(STOP, len(STOP) // 2)
        if read(PIO_FSTAT) & EMPTY == EMPTY:
            return
        while not read(PIO_FSTAT) & RX_EMPTY:
            read(PIO_RXF)
        while not read(PIO_FSTAT) & TX_EMPTY:
            write(SM_INSTR, OUT_NULL)
        write(PIO_CTRL + SET_BITS, SM_RESTART)

    def timing(self, period_ns: int, settle_ns: int, sample_ns: int) -> tuple[int, int]:
        """Set the time of a cycle, in whole ticks, never shorter than requested."""
        asked = (period_ns, settle_ns, sample_ns, self.bus.frequency())
        if asked != self.asked:
            hertz = self.clock()
            self.asked = asked
            self.timed = tuple([-(-ns * hertz // 1_000_000_000) for ns in asked[:3]])
            self.writes = {}
            self.achieved = fraction(self.written(1).cycle.ticks * 1_000_000_000, hertz)
        return self.achieved

    def written(self, row_words: int) -> Writes:
        """The cycle for vectors without (1) or with a pulse (2), and what is written for it."""
        if row_words not in self.writes:
            ticks, settle, sample = self.timed
            cycle = layout(row_words, ticks, settle, sample)
            self.writes[row_words] = Writes(cycle, self.plan)
        return self.writes[row_words]

    def perform(self, engine: Engine, count: int) -> None:
        """Run the first ``count`` rows of the engine's block; return it the words read."""
        if not self.saved:
            raise Refused("no pins are bound")
        block = engine.block
        plan = self.plan
        two = self.words_a_row(engine, count)
        if plan.goes_straight(block, two):
            if engine.manner & GAP_FREE and engine.cycle:
                raise Refused("no single burst: more than one block")
            plan.lay_straight(block, self.outward, two)
            self.burst(engine.manner & GAP_FREE)
            self.give_back(engine)
        else:
            block.fill(ALL_FIELDS)
            self.cut(engine, count, two)

    def words_a_row(self, engine: Engine, count: int) -> int:
        """1, or 2 where a row of the run pulses a pin."""
        block = engine.block
        if engine.manner & PULSES:
            return 2
        if block.varying < 0:
            return 1 + any_set(block.pulse, count)
        return 2 if block.varying >> FIELD_PULSE & 1 or block.level[FIELD_PULSE] else 1

    def cut(self, engine: Engine, count: int, two: int) -> None:
        """Run a block in as many bursts as it takes."""
        block = engine.block
        row = done = 0
        while row < count:
            if block.repeat[row] & UNTIL and not engine.manner & GAP_FREE:
                self.row_words = two
                engine.run_until(row, block.repeat[row] & 0x7FFFFFFF)
                row += 1
                continue
            span = (count, two, engine.first - engine.cycle, engine.stop - engine.cycle)
            row, done = self.plan.lay_out(block, (row, done), self.outward, span)
            if engine.manner & GAP_FREE and (row < count or engine.cycle):
                raise Refused("no single burst: " + (self.plan.why or "more than one block"))
            self.burst(engine.manner & GAP_FREE)
            self.give_back(engine)

    def clock_on(self, engine: Engine) -> None:
        """Run the first row of the engine's block as often as it says; judge nothing.

        To judge a cycle takes software longer than to run it.
        """
        block = engine.block
        span = (1, 2 if block.pulse[0] else 1, 0, 0)
        self.plan.lay_out(block, (0, 0), self.outward, span)
        self.burst(0)

    def burst(self, gap_free: int) -> None:
        """Run the burst laid out. Raises Refused if it paused and must not."""
        plan = self.plan
        if not plan.cycles:
            return
        writes = self.written(plan.row_words)
        first, last = plan.edge_levels()
        self.load(writes)
        self.aim(plan.enable, first)
        try:
            self.begin(writes, plan.cycles)
            self.wait_for(self.caught_up)
            stalled = self.bus.read(PIO_FDEBUG) & STALLED if writes.cycle.x is None else 0
        finally:
            self.halt()
        self.levels = last
        self.bursts += 1
        if stalled and gap_free:
            raise Refused("the clock paused within the burst: the DMA could not keep up")
        if stalled:
            self.bursts += 1

    def load(self, writes: Writes) -> None:
        """Load the program of a cycle into the state machine."""
        if self.loaded is not writes:
            self.bus.put(writes.program, len(writes.program) // 2)
            self.loaded = writes

    def aim(self, enable: int, first: int) -> None:
        """Set the directions of a burst; pins that become outputs begin at its first levels.

        ``first`` is in controller order, as ``levels`` is.
        """
        if enable == self.enabled:
            return
        turned = cross(self.outward, enable & ~self.enabled)
        self.order(OUT_PINS, (self.levels & ~turned) | (first & turned))
        self.order(OUT_PINDIRS, cross(self.outward, enable))
        self.enabled = enable

    def begin(self, writes: Writes, cycles: int) -> None:
        """Start the machine once the first words are in its queue."""
        bus = self.bus
        writes.count(cycles)
        bus.put(writes.feed, len(writes.feed) // 2)
        # A machine with an empty queue stalls: the first cycle would be longer than the others.
        queued = min(4, cycles * writes.cycle.words)
        while bus.read(PIO_FLEVEL) & TX_LEVEL < queued:
            bus.idle()
        bus.put(writes.start, len(writes.start) // 2)

    def caught_up(self) -> bool:
        """Whether the last control block of the receiving channel has stopped it."""
        return not self.bus.read(GET_STATE) & 1

    def wait_for(self, done: Callable[[], bool]) -> None:
        """Wait for the hardware, looking at the host, which may stop the work."""
        while not done():
            self.bus.idle()
            if self.idle:
                self.idle()

    def give_back(self, engine: Engine) -> None:
        """Pass the captured words to the engine, piece by piece."""
        plan = self.plan
        block = engine.block
        if plan.pull:
            free = plan.pull & ~self.enabled
            engine.floating[0] = floating_pins(self.bus, self.numbers, free)
        for piece in plan.pieces:
            row, rows, done, size, _kept = piece
            if rows == size:
                plan.pick(engine.words_at(size), size, self.inward)
                engine.judge(block, row, size, row, done)
            else:
                give_repeats(plan, engine, piece, self.inward)
        engine.floating[0] = 0

    def until(self, vector: Vector, limit: int) -> tuple[int, int, bool]:
        """Repeat one vector (drive, enable, pulse, expect, care) until its outputs match.

        Each cycle is timed by hardware; software looks at the answer in between. Returns cycles
        used, last word read, whether it matched.
        """
        drive, enable, pulse, expect, care = vector
        two = self.row_words
        writes = self.written(two)
        self.load(writes)
        self.aim(enable, cross(self.outward, drive))
        first = cross(self.outward, drive)
        pairs = [PIO_TXF, first, PIO_TXF, cross(self.outward, drive ^ pulse)][: 2 * two]
        writes.count(1)
        puts = writes.feed[:4] + array("I", pairs) + writes.start
        want, tested = cross(self.outward, expect), cross(self.outward, care)
        used = seen = 0
        while used < limit:
            seen = self.single(puts)
            self.bursts += 1
            used += 1
            if not (seen ^ want) & tested:
                break
            # What waits for a long cycle looks at the host itself.
            if self.idle and not used & 15:
                self.idle()
        self.levels = first
        return used, cross(self.inward, seen), not (seen ^ want) & tested

    def single(self, puts: Words) -> int:
        """Run one cycle without DMA; return the word read, in controller order."""
        try:
            self.bus.put(puts, len(puts) // 2)
            self.wait_for(self.answered)
            return self.bus.read(PIO_RXF)
        finally:
            self.halt()

    def answered(self) -> bool:
        """Whether a word was read."""
        return not self.bus.read(PIO_FSTAT) & RX_EMPTY

    def took(self) -> int:
        """Return 0: hardware keeps the time of a cycle as ``timing`` returned."""
        return 0

    def sense(self, numbers: Sequence[int]) -> list[int | None]:
        """The readings of these pins, each the mean of 16 from 0 to 65535."""
        return [self.bus.measure(number) for number in numbers]

    def release(self) -> None:
        """Stop everything, make every pin an input and restore the former state."""
        if not self.saved:
            return
        self.halt()
        self.order(OUT_PINDIRS, 0)
        self.enabled = 0
        for place, value in reversed(self.saved):
            self.bus.write(place, value)
        for k in range(len(self.loaded.cycle.program) if self.loaded else 0):
            self.bus.write(PIO_MEMORY + 4 * k, 0)
        self.loaded = None
        self.saved = []
