"""What is written to the registers to start a burst and to stop it: lists of addresses and values.

One rule: no access here; ``pins_rp2`` has a bus write each list at once.
"""

from __future__ import annotations

from array import array

from .rp2_chip import (
    CHANNELS,
    CLEAR_BITS,
    DMA_COUNT,
    DMA_CTRL,
    DMA_ON,
    DMA_READ,
    DMA_WRITE,
    GET,
    GET_CTRL,
    PACE_NONE,
    PIO_CTRL,
    PIO_FDEBUG,
    PIO_MEMORY,
    PIO_TXF,
    RX_EMPTY,
    SEND,
    SEND_CTRL,
    SET_BITS,
    SM_ENABLE,
    SM_EXECCTRL,
    SM_INSTR,
    SM_RESTART,
    STALLED,
    TX_EMPTY,
    WRITE_FOUR,
    channel,
)
from .rp2_plan import BurstPlan
from .rp2_timing import GO, OUT_X, OUT_Y, PULL_IF_EMPTY, Layout
from .rp2040 import DMA_ABORT, DMA_CHAIN, DMA_START

EMPTY = TX_EMPTY | RX_EMPTY
STOP = array("I", [PIO_CTRL + CLEAR_BITS, SM_ENABLE])
"""Addresses and values that stop the machine and its channels."""
for _number in CHANNELS:
    STOP.extend(array("I", [channel(_number) + DMA_CTRL, 0]))
# All are off before, and at rest some cycles later, long before software can start one again
# (RP2350 datasheet 12.6.8.3 and erratum RP2350-E5).
STOP.extend(array("I", [DMA_ABORT, sum([1 << number for number in CHANNELS])]))
STOP.extend(array("I", [PIO_CTRL + SET_BITS, SM_RESTART]))


class Writes:
    """The lists for bursts of one cycle, made once: they would be garbage after each.

    ``program`` loads the program; ``feed`` sets the machine's counter and starts the DMA, ``start``
    the machine on the words in its queue.
    """

    def __init__(self, cycle: Layout, plan: BurstPlan) -> None:
        self.cycle = cycle
        count = len(cycle.program)
        program = [SM_EXECCTRL, (count - 1) << 12]
        for k in range(count):
            program += [PIO_MEMORY + 4 * k, cycle.program[k]]
        self.program = array("I", program)
        # The counter, or the loop's length, comes through the queue before any vector is in it.
        begin = (
            [PIO_TXF, 0, SM_INSTR, OUT_Y]
            if cycle.x is None
            else [PIO_TXF, cycle.x, SM_INSTR, OUT_X]
        )
        self.feed = array("I", begin + fed(plan))
        pairs = [SM_INSTR, OUT_X] if cycle.words == 2 and cycle.x is None else []
        # Ones clear FDEBUG (3.7): a stall before the start does not count.
        pairs += [SM_INSTR, PULL_IF_EMPTY, SM_INSTR, GO, PIO_FDEBUG, STALLED]
        self.start = array("I", pairs + [PIO_CTRL + SET_BITS, SM_ENABLE])

    def count(self, cycles: int) -> None:
        """Have the next burst take so many cycles, if its machine counts them."""
        if self.cycle.x is None:
            self.feed[1] = cycles - 1


def fed(plan: BurstPlan) -> list[int]:
    """What starts the DMA on the control blocks of a burst."""
    pairs = []
    for number, at, partner in (
        (SEND_CTRL, plan.sending_at, SEND),
        (GET_CTRL, plan.getting_at, GET),
    ):
        base = channel(number)
        # The last of four words goes to CTRL_TRIG and starts the partner (datasheet 2.5.6.2).
        pairs += [base + DMA_READ, at, base + DMA_WRITE, channel(partner), base + DMA_COUNT, 4]
        pairs += [base + DMA_CTRL, DMA_ON | WRITE_FOUR | PACE_NONE | number * DMA_CHAIN]
    return pairs + [DMA_START, (1 << SEND_CTRL) | (1 << GET_CTRL)]
