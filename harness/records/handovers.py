"""A board that was handed over to start a design by itself, and what was in its flash before."""

from __future__ import annotations

from base64 import b64decode, b64encode
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from zlib import crc32

CRC_BYTES = 4


@dataclass(frozen=True)
class HandoverRecord:
    """A handover: chip and board, what they wake up with, and why.

    ``rate_hz`` is the clock rate that was asked for, ``achieved_hz`` the one measured or, if
    ``exact``, set by hardware; both are 0 for a design without a clock. ``levels`` are the inputs
    that were named, such as ``en=1``.
    ``passed`` is the start of the run in which its tables were judged last, None if none was;
    ``reason`` is why it was handed over all the same, empty if all passed. ``folder`` is where its
    files are on the board; ``before`` is the board's own ``main.py`` and its CRC-32 in base 64,
    None if it had none. ``finished`` is None until the board has started the design, ``undone``
    until ``before`` is back.
    """

    handover_id: str
    begun: datetime
    chip_serial: str
    board_serial: str
    rack: str
    slot: str
    design: str
    rate_hz: float
    achieved_hz: float
    exact: bool
    levels: tuple[str, ...]
    passed: datetime | None
    reason: str
    folder: str
    before: str | None
    finished: datetime | None = None
    undone: datetime | None = None

    @property
    def program(self) -> bytes | None:
        """The board's own ``main.py``. Raises ValueError if it is not as it was kept."""
        if self.before is None:
            return None
        kept = b64decode(self.before, validate=True)
        program, crc = kept[:-CRC_BYTES], kept[-CRC_BYTES:]
        if crc != _crc(program):
            raise ValueError("the program that was there before has changed")
        return program

    @property
    def key(self) -> str:
        """What the ``main.py`` of this handover names it by; no other handover has it."""
        return sha256(self.handover_id.encode("utf-8", "backslashreplace")).hexdigest()[:12]


def kept_program(program: bytes | None) -> str | None:
    """Return a program as :attr:`HandoverRecord.before` has it."""
    return None if program is None else b64encode(program + _crc(program)).decode()


def latest_of_boards(handovers: Iterable[HandoverRecord]) -> tuple[HandoverRecord, ...]:
    """Choose the latest handover of each board, of those that are not undone; oldest first.

    ``handovers`` begin with the oldest.
    """
    latest = {one.board_serial: one for one in handovers}
    return tuple(one for one in handovers if latest[one.board_serial] is one and not one.undone)


def _crc(program: bytes) -> bytes:
    return crc32(program).to_bytes(CRC_BYTES, "big")
