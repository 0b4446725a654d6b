"""What the RP2350 has of its own, after the RP2350 datasheet (sections in brackets).

One rule: values only, under the names that every controller's table has. Addresses and bits agree
with the register headers of the controller's maker. None of this has been on silicon.
"""

from __future__ import annotations

CONTROLLER = "an RP2350"

STEP_READ = 1 << 4
"""In a DMA channel's CTRL (12.6.10): the read address moves; one unit of a field of several bits.

Two bits that let addresses move backwards push the fields above them up by one and two.
"""
STEP_WRITE = 1 << 6
DMA_RING = 1 << 8
DMA_RING_WRITE = 1 << 12
DMA_CHAIN = 1 << 13
DMA_TREQ = 1 << 17
DMA_QUIET = 1 << 23
DMA_BUSY = 1 << 26
DMA_START = 0x50000450
"""MULTI_CHAN_TRIGGER."""
DMA_ABORT = 0x50000464

PIO_PINS = 32
"""Pins that a state machine reaches."""
PIO_BASE = 0x50200168
"""GPIOBASE (11.7): the first of them, 0 or 16."""

IO_CTRL = 0x40028004
"""GPIO0_CTRL (9.11.1); those of the next pins follow, 8 bytes apart."""
PADS = 0x40038004
"""GPIO0 (9.11.3); those of the next pins follow, 4 bytes apart."""
PAD_HELD = 1 << 8
"""The bit of a pad that holds its state until it is cleared (ISO); set by a reset."""

OUT_CLEAR = 0xD0000020
"""GPIO_OUT_CLR (3.1.11); a register for the pins from 32 on follows each of these."""
OUT_INVERT = 0xD0000028
OE_SET = 0xD0000038
OE_CLEAR = 0xD0000040

TIMER = 0x400B0028
"""TIMERAWL of TIMER0 (12.8.5): microseconds, 32 bits."""
