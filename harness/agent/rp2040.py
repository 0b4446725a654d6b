"""What the RP2040 has of its own, after the RP2040 datasheet (sections in brackets).

One rule: values only, under the names that every controller's table has.
"""

from __future__ import annotations

CONTROLLER = "an RP2040"

STEP_READ = 1 << 4
"""In a DMA channel's CTRL (2.5.7): the read address moves; one unit of a field of several bits."""
STEP_WRITE = 1 << 5
DMA_RING = 1 << 6
DMA_RING_WRITE = 1 << 10
DMA_CHAIN = 1 << 11
DMA_TREQ = 1 << 15
DMA_QUIET = 1 << 21
DMA_BUSY = 1 << 24
DMA_START = 0x50000430
"""MULTI_CHAN_TRIGGER."""
DMA_ABORT = 0x50000444

PIO_PINS = 30
"""Pins that a state machine reaches."""
PIO_BASE = 0
"""The register of the first of them; 0: there is none, it is pin 0."""

IO_CTRL = 0x40014004
"""GPIO0_CTRL (2.19.6.1); those of the next pins follow, 8 bytes apart."""
PADS = 0x4001C004
"""GPIO0 (2.19.6.3); those of the next pins follow, 4 bytes apart."""
PAD_HELD = 0
"""The bit of a pad that holds its state until it is cleared; the RP2040 has none."""

OUT_CLEAR = 0xD0000018
"""GPIO_OUT_CLR (2.3.1.7)."""
OUT_INVERT = 0xD000001C
OE_SET = 0xD0000024
OE_CLEAR = 0xD0000028

TIMER = 0x40054028
"""TIMERAWL (4.6.5): microseconds, 32 bits."""
