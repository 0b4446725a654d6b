"""Which known failure, if any, covers a failing table: a pure look-up in the shuttle's waivers.

One rule: a waiver can turn FAIL or UNSTABLE into WAIVED, nothing else, and only until its expiry.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.records import PinCount, WaiverRecord
from harness.shuttle import Waiver


def fitting_waivers(waivers: Sequence[Waiver], design: str, table: str, chip: str) -> list[Waiver]:
    """Waivers that name this chip, design and table (an empty table: every table)."""
    return [
        waiver
        for waiver in waivers
        if waiver.design == design
        and waiver.table in ("", table)
        and (not waiver.chips or chip in waiver.chips)
    ]


def covering_waiver(waivers: Sequence[Waiver], wrong: Sequence[PinCount]) -> Waiver | None:
    """Find the waiver that covers every wrong pin; several one-pin waivers may do so together.

    A waiver for a pin names the chip pin or the design's signal. It covers no failure of which
    the wrong pins are not known.
    """
    whole = next((waiver for waiver in waivers if not waiver.pin), None)
    if whole is not None or not wrong:
        return whole
    fits = [_for_pin(waivers, pin) for pin in wrong]
    return fits[0] if all(fits) else None


def waiver_record(waiver: Waiver) -> WaiverRecord:
    """Return the waiver as it is kept with the outcome."""
    return WaiverRecord(waiver.owner, waiver.reason, waiver.ticket, waiver.expiry.isoformat())


def _for_pin(waivers: Sequence[Waiver], wrong: PinCount) -> Waiver | None:
    names = (wrong.pin, wrong.signal, wrong.signal.partition("[")[0])
    return next((waiver for waiver in waivers if waiver.pin and waiver.pin in names), None)
