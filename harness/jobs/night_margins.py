"""The margins of a night: searched after its tables, compared with earlier ones.

One rule: a design is searched only on chips where all of its tables passed tonight; a failing one
has no margin, and is reported already.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.jobs.margin import Wish, search_margins
from harness.judge import Baseline
from harness.margin import MarginObserver
from harness.rack import Rack, StopSwitch, within
from harness.records import MarginDrop, MarginKind, MarginRecord, RunRecord, Verdict, margin_drop
from harness.store import Store


@dataclass(frozen=True)
class NightMargins:
    """A night's margin searches, and the losses among them.

    ``known`` counts the ``drops`` that the baseline has identically. ``kept`` are all searches of
    these chips, including these. ``trouble`` says why there are none.
    """

    records: tuple[MarginRecord, ...] = ()
    drops: tuple[MarginDrop, ...] = ()
    kept: tuple[MarginRecord, ...] = ()
    known: int = 0
    trouble: str = ""

    @property
    def lost_anew(self) -> bool:
        """Whether a margin is lost that the baseline still has."""
        return len(self.drops) > self.known

    @property
    def broken(self) -> bool:
        """Whether a search is incomplete."""
        return bool(self.trouble) or any(record.trouble for record in self.records)


def search_at_night(
    rack: Rack,
    store: Store,
    run: RunRecord,
    baseline: Baseline | None,
    observe: MarginObserver,
    stop: StopSwitch,
) -> NightMargins:
    """Search the designs that the rack file names, and compare each with its history.

    A loss that ``baseline`` has too is known. Searches that this run has already completed are not
    repeated. Trouble with boards or supply is in the result. Raises StoreError.
    """
    if not rack.night_margins or run.cancelled:
        return NightMargins()
    done = {(one.slot, one.design) for one in _whole(store, run)}
    wish = Wish(designs=rack.night_margins, run_id=run.run_id, only=frozenset(_passing(run) - done))

    def search() -> NightMargins:
        records = search_margins(rack, store, wish, observe, stop)
        broken = tuple(record for record in records if record.trouble)
        return _compared(store, run, baseline, (*_whole(store, run), *broken))

    return within("night margins", search, lambda error: NightMargins(trouble=str(error)))


def _whole(store: Store, run: RunRecord) -> tuple[MarginRecord, ...]:
    """Return the searches that this run has completed."""
    return tuple(record for record in store.margins(run_id=run.run_id) if not record.trouble)


def _compared(
    store: Store,
    run: RunRecord,
    baseline: Baseline | None,
    records: tuple[MarginRecord, ...],
) -> NightMargins:
    """Find the losses, and count those that the baseline has too."""
    accepted = store.margins(run_id=baseline.run_id) if baseline is not None else ()
    drops, known = [], 0
    for record in records:
        drop = margin_drop(store.margins(chip=record.chip_serial, design=record.design), record)
        if drop is not None:
            drops.append(drop)
            known += any(_same_loss(one, drop) for one in accepted)
    return NightMargins(records, tuple(drops), store.margins_behind(run.run_id), known)


def _same_loss(accepted: MarginRecord, drop: MarginDrop) -> bool:
    """Return whether the baseline's limit is no higher than the limit now, within noise."""
    same = (accepted.chip_serial, accepted.design) == (drop.chip_serial, drop.design)
    whole = not accepted.trouble and accepted.kind is MarginKind.RATE
    return same and whole and (accepted.highest_hz or 0.0) <= drop.now_hz + drop.noise_hz


def _passing(run: RunRecord) -> set[tuple[str, str]]:
    """Return the slots and designs whose tables all passed."""
    tables = [(o.slot, o.design, o.verdict is Verdict.PASS) for o in run.outcomes]
    return {key[:2] for key in tables} - {key[:2] for key in tables if not key[2]}
