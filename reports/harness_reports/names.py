"""File and folder names made from serial numbers and design names.

The one rule: whatever a record holds, the name is one path component of plain ASCII that no
file system treats specially, and two different things never get one name.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from itertools import count
from typing import TypeVar

from harness.records import ChipHeading, ChipRecord, Outcome, Verdict

Key = TypeVar("Key", bound=Hashable)

MAX_NAME = 60
"""Maximum number of characters before a mark or ending; file systems allow far more."""

_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


def is_device_name(name: str) -> bool:
    """Whether Windows keeps a file name for a device, whatever its ending."""
    return _RESERVED.fullmatch(name) is not None


def safe_name(text: str) -> str:
    """Return ``text`` itself where it is harmless, else a readable stand-in with a mark.

    The mark is eight hex digits of the SHA-256 of the whole text, so that ``a/b`` and ``a:b``
    stay two names.
    """
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", text).strip("._")
    if plain and plain == text and len(text) <= MAX_NAME and not is_device_name(text):
        return text
    return f"{plain[:MAX_NAME] or 'unnamed'}-{_mark(text)}"


def chip_name(chip: ChipHeading) -> str:
    """Call a chip by its serial number, or by its slot."""
    return chip.chip_serial or f"slot {chip.slot}"


def design_anchor(design: str) -> str:
    """Name the place of a design on a chip's page."""
    return f"design-{safe_name(design)}"


def chip_pages(chips: Sequence[ChipHeading]) -> dict[str, str]:
    """Map each slot of a run to its chip's page, as ``chips/SP2-0001/SP2-0001.html``."""
    return {slot: f"chips/{name}/{name}.html" for slot, name in chip_folders(chips).items()}


def design_page(design: str) -> str:
    """Name a design's page, as ``designs/crc16.html``; a mark tells capitals apart."""
    name = safe_name(design)
    return f"designs/{name if name == name.lower() else f'{name}-{_mark(design)}'}.html"


def design_table(design: str, table: str) -> str:
    """Name the place of a table on its design's page, as ``designs/crc16.html#table-check``."""
    return f"{design_page(design)}#table-{safe_name(table)}"


def since_page(run_id: str) -> str:
    """Name the page, in a later run's folder, that compares that run with this one."""
    return f"since-{safe_name(run_id)}.html"


def pin_anchor(pin: str) -> str:
    """Name the place of a pin in the continuity test on a chip's page."""
    return f"pin-{safe_name(pin)}"


def table_anchor(number: int) -> str:
    """Name the place, on a chip's page, of the table that was its ``number``-th."""
    return f"table-{number}"


def chip_folders(chips: Sequence[ChipHeading]) -> dict[str, str]:
    """Map each slot of a run to the name of its chip's folder, unique even where case is not."""
    return distinct_names({chip.slot: chip_name(chip) for chip in chips})


def waveform_names(chip: ChipRecord) -> dict[tuple[str, str], str]:
    """Map (design, table) of every outcome with a drawable window to its waveform file."""
    shown = {
        (o.design, o.table): f"{o.design}.{o.table}"
        for o in chip.outcomes
        if o.window is not None and o.verdict is not Verdict.PASS
    }
    return {key: f"{name}.vcd" for key, name in distinct_names(shown).items()}


def drawn_outcomes(chip: ChipRecord) -> dict[str, Outcome]:
    """Map each waveform file to the outcome that kept the cycles around its first mismatch."""
    names = waveform_names(chip)
    return {names[o.design, o.table]: o for o in chip.outcomes if (o.design, o.table) in names}


def distinct_names(wanted: Mapping[Key, str]) -> dict[Key, str]:
    """Make names safe; a name taken already (case ignored) gets a number."""
    names = numbered([safe_name(text) for text in wanted.values()], "-", str.casefold)
    return dict(zip(wanted, names, strict=True))


def numbered(wanted: Iterable[str], link: str, alike: Callable[[str], str]) -> list[str]:
    """Give each name, the later ones of those that are ``alike`` with a number after ``link``."""
    taken: dict[str, str] = {}
    for name in wanted:
        spare = (f"{name}{link}{number}" for number in count(2))
        own = name
        while alike(own) in taken:
            own = next(spare)
        taken[alike(own)] = own
    return list(taken.values())


def _mark(text: str) -> str:
    data = text.encode("utf-8", "backslashreplace")
    return hashlib.sha256(data).hexdigest()[:8]
