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
from harness.shuttle.tomlfile import TomlTable, nearest, read_toml

__all__ = [
    "MAX_PINS",
    "Bus",
    "Design",
    "Direction",
    "Pin",
    "Shuttle",
    "TableSpec",
    "TomlTable",
    "Waiver",
    "nearest",
    "read_toml",
]
