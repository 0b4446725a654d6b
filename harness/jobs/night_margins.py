"""The margins of a night: searched after its tables, compared with what they were before.

One rule: a design is searched only where all of its tables passed tonight; a failing one has no
margin, and says so already.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.jobs.margin import Wish, search_margins
from harness.judge import Baseline
from harness.margin import Tell
from harness.rack import Observer, Rack, StopSwitch, within
from harness.records import MarginDrop, MarginKind, MarginRecord, RunRecord, Verdict, margin_drop
from harness.store import Store


@dataclass(frozen=True)
class NightMargins:
    """What a night found of margins: every search, and the losses among them.

    Of ``drops`` the baseline has as many as ``known`` just so. ``kept`` is all that is known of
    the chips that were searched, these searches included. ``trouble`` says why there are none.
    """

    records: tuple[MarginRecord, ...] = ()
    drops: tuple[MarginDrop, ...] = ()
    kept: tuple[MarginRecord, ...] = ()
    known: int = 0
    trouble: str = ""

    @property
    def lost_anew(self) -> bool:
        """Whether a margin is lost that the baseline has."""
        return len(self.drops) > self.known

    @property
    def broken(self) -> bool:
        """Whether something was not searched to its end."""
        return bool(self.trouble) or any(record.trouble for record in self.records)


def search_at_night(
    rack: Rack,
    store: Store,
    run: RunRecord,
    baseline: Baseline | None,
    tell: Tell,
    stop: StopSwitch,
    observe: Observer,
) -> NightMargins:
    """Search the designs that the rack file names, and compare each with its history.

    ``baseline`` is the run that was accepted last: a loss that it has too is known.

    What this run has searched to its end before is not searched again. Trouble with boards or
    supply is told in what is returned. Raises StoreError.
    """
    if not rack.night_margins or run.cancelled:
        return NightMargins()
    done = {(one.slot, one.design) for one in _whole(store, run)}
    wish = Wish(designs=rack.night_margins, run_id=run.run_id, only=frozenset(_passing(run) - done))

    def search() -> NightMargins:
        records = search_margins(rack, store, wish, tell, stop, observe)
        broken = tuple(record for record in records if record.trouble)
        return _compared(store, run, baseline, (*_whole(store, run), *broken))

    return within("night margins", search, lambda error: NightMargins(trouble=str(error)))


def _whole(store: Store, run: RunRecord) -> tuple[MarginRecord, ...]:
    """What this run has searched to its end."""
    return tuple(record for record in store.margins(run_id=run.run_id) if not record.trouble)


def _compared(
    store: Store,
    run: RunRecord,
    baseline: Baseline | None,
    records: tuple[MarginRecord, ...],
) -> NightMargins:
    """Find the losses, and those among them that the accepted baseline has."""
    accepted = store.margins(run_id=baseline.run_id) if baseline is not None else ()
    drops, known = [], 0
    for record in records:
        drop = margin_drop(store.margins(chip=record.chip_serial, design=record.design), record)
        if drop is not None:
            drops.append(drop)
            known += any(_just_so(one, drop) for one in accepted)
    return NightMargins(records, tuple(drops), store.margins_behind(run.run_id), known)


def _just_so(accepted: MarginRecord, drop: MarginDrop) -> bool:
    """Whether the accepted night found the chip's limit no higher than it is now, but for noise."""
    same = (accepted.chip_serial, accepted.design) == (drop.chip_serial, drop.design)
    whole = not accepted.trouble and accepted.kind is MarginKind.RATE
    return same and whole and (accepted.highest_hz or 0.0) <= drop.now_hz + drop.noise_hz


def _passing(run: RunRecord) -> set[tuple[str, str]]:
    """Slots and designs of which every table passed."""
    tables = [(o.slot, o.design, o.verdict is Verdict.PASS) for c in run.chips for o in c.outcomes]
    return {key[:2] for key in tables} - {key[:2] for key in tables if not key[2]}
