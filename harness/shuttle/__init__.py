"""The shuttle: pins, designs and their tables, read from TOML."""

from harness.shuttle.model import (
    MAX_PINS,
    Bus,
    Design,
    Direction,
    Pin,
    Shuttle,
    TableSpec,
    Waiver,
)

__all__ = [
    "MAX_PINS",
    "Bus",
    "Design",
    "Direction",
    "Pin",
    "Shuttle",
    "TableSpec",
    "Waiver",
]
