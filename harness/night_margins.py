"""The margins of a night: searched after its tables, compared with what they were before.

One rule: a design is searched only where all of its tables passed tonight; a failing one has no
margin, and says so already.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.margin import Tell
from harness.margin_texts import drop_text
from harness.rack import Rack, Slot, StopSwitch
from harness.store import MarginDrop, MarginRecord, RunRecord, Store, Verdict, margin_drop
from harness.sweep import Wish, search_margins

SHOWN = 4
"""So many losses are named in the line; the pages have them all."""


@dataclass(frozen=True)
class NightMargins:
    """What a night found of margins: every search, and the losses among them.

    ``kept`` is all that is known of the chips that were searched, these searches included.
    """

    records: tuple[MarginRecord, ...] = ()
    drops: tuple[MarginDrop, ...] = ()
    kept: tuple[MarginRecord, ...] = ()


def search_at_night(
    rack: Rack, store: Store, run: RunRecord, tell: Tell, stop: StopSwitch | None
) -> NightMargins:
    """Search the designs that the rack file names, and compare each with its history.

    Raises what :func:`harness.sweep.search_margins` raises.
    """
    if not rack.night_margins or run.cancelled:
        return NightMargins()
    passing = _passing(run)

    def wanted(slot: Slot, design: str) -> bool:
        return (slot.name, design) in passing

    wish = Wish(designs=rack.night_margins, run_id=run.run_id, wanted=wanted)
    records = search_margins(rack, store, wish, tell, stop)
    found = (
        margin_drop(store.margins(chip=record.chip_serial, design=record.design), record)
        for record in records
    )
    drops = tuple(drop for drop in found if drop is not None)
    return NightMargins(records, drops, store.margins_behind(run.run_id))


def margin_line(margins: NightMargins) -> tuple[str, ...]:
    """One line below the five: who lost margin; none if nothing was searched."""
    if not margins.records:
        return ()
    return (f"{'less margin':<19}  {len(margins.drops):>5}  {_told(margins)}".rstrip(),)


def _told(margins: NightMargins) -> str:
    told = [drop_text(drop) for drop in margins.drops[:SHOWN]]
    if len(margins.drops) > SHOWN:
        told.append(f"{len(margins.drops) - SHOWN} more")
    broken = sum(bool(record.trouble) for record in margins.records)
    searched = f"{len(margins.records)} searched"
    remark = f"({searched}, {broken} of them not to the end)" if broken else f"({searched})"
    return " ".join(("; ".join(told), remark)).lstrip()


def _passing(run: RunRecord) -> set[tuple[str, str]]:
    """Slots and designs of which every table passed."""
    good: dict[tuple[str, str], bool] = {}
    for chip in run.chips:
        for outcome in chip.outcomes:
            key = chip.slot, outcome.design
            good[key] = good.get(key, True) and outcome.verdict is Verdict.PASS
    return {key for key, passed in good.items() if passed}
