"""The shuttle: pins, designs and their tables, read from TOML."""

from harness.shuttle.checks import above_0, take_above_0, take_up_to
from harness.shuttle.dotted import parse_toml
from harness.shuttle.edit import with_element, with_settings
from harness.shuttle.model import (
    Bus,
    Design,
    Direction,
    MadeFrom,
    Pin,
    Shuttle,
    TableSpec,
    Waiver,
)
from harness.shuttle.names import RESERVED, expand_range, is_module, is_name, take_top
from harness.shuttle.reader import check_shuttle, load_shuttle
from harness.shuttle.serials import is_serial, pattern_of
from harness.shuttle.textfile import check_bytes, place_of_offset, read_bytes, without_mark
from harness.shuttle.toml_text import toml_text
from harness.shuttle.tomlfile import TomlTable, nearest, read_toml

__all__ = [
    "RESERVED",
    "Bus",
    "Design",
    "Direction",
    "MadeFrom",
    "Pin",
    "Shuttle",
    "TableSpec",
    "TomlTable",
    "Waiver",
    "above_0",
    "check_bytes",
    "check_shuttle",
    "expand_range",
    "is_module",
    "is_name",
    "is_serial",
    "load_shuttle",
    "nearest",
    "parse_toml",
    "pattern_of",
    "place_of_offset",
    "read_bytes",
    "read_toml",
    "take_above_0",
    "take_top",
    "take_up_to",
    "toml_text",
    "with_element",
    "with_settings",
    "without_mark",
]
