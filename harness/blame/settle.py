"""The final verdicts and the causes of a run, from everything that was seen on it. Pure."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.blame.book import Key
from harness.blame.causes import cause_keys, causes_of
from harness.blame.moves import Move, exchanges, moves
from harness.blame.rulings import rule
from harness.blame.seen import seen_of
from harness.records import Cause, Outcome, Reason, RunRecord, Verdict
from harness.rehearse import Predictions

RULES = "1"
"""Version of the rules, kept with every verdict that they gave."""


@dataclass(frozen=True)
class Settled:
    """The outcomes of a run that became final or other, and its causes."""

    outcomes: tuple[Outcome, ...]
    causes: tuple[Cause, ...]


def settle(
    run: RunRecord,
    predictions: Predictions,
    rehearsed: Mapping[Key, bool],
    earlier: Sequence[RunRecord] = (),
) -> Settled:
    """Give final verdicts to a run.

    ``rehearsed`` says which tables pass on their own design's netlist; those of designs without
    one are missing. The tables of a continuity test count as evidence, and get no verdict here.
    ``earlier`` are runs of the same rack, the newest first: they tell what an exchange settled.
    """
    bits = {pin: bit for bit, pin in enumerate(predictions.pins)}
    chips = {chip.slot: chip for chip in run.chips}

    def moved(slot: str, keys: Collection[Key]) -> Move | None:
        chip = chips[slot]
        failing = [outcome for outcome in chip.outcomes if (outcome.design, outcome.table) in keys]
        return next(moves(run, chip, failing, earlier), None)

    seen = [seen_of(outcome, bits) for outcome in run.evidence]
    rulings = rule(seen, predictions, rehearsed, moved)
    exchanged = exchanges(run, earlier[0]) if earlier else ()
    unusable = [chip for chip in run.chips if chip.trouble]
    causes = causes_of(rulings, {one.slots[1]: one for one in exchanged}, unusable)
    keys = cause_keys(causes)
    advice = {cause.key: f"{cause.summary} {cause.advice}".strip() for cause in causes}
    final = []
    for outcome in run.outcomes:
        place = outcome.slot, (outcome.design, outcome.table)
        key = keys.get(place, "")
        reason = rulings.reasons.get(place)
        final.append(_final(outcome, reason, key, advice.get(key, "")))
    changed = [new for new, old in zip(final, run.outcomes, strict=True) if new != old]
    return Settled(tuple(changed), causes)


def _final(outcome: Outcome, reason: Reason | None, key: str, advice: str) -> Outcome:
    """Make an outcome final; a waiver goes on covering what is the chip's or the design's.

    A table that fails on its own netlist is to be mended, not waived.

    The stand-in of a damaged record is left alone: kept, it would take the record's place.
    """
    if outcome.provisional is Reason.RECORD_DAMAGED:
        return outcome
    if outcome.verdict is Verdict.NOT_RUN:
        return replace(outcome, cause=key)
    if reason is None:
        return replace(outcome, rules=RULES, cause="")
    covered = outcome.covered and reason is not Reason.TABLE_FAILS_REHEARSAL
    if covered and any(verdict.failed for verdict in reason.verdicts):
        return replace(outcome.because(Reason.WAIVED), rules=RULES, cause=key)
    verdict = reason.verdicts[0]
    if len(reason.verdicts) > 1 and outcome.provisional.verdicts[0] in reason.verdicts:
        verdict = outcome.provisional.verdicts[0]
    waiver = outcome.waiver if covered or (verdict.failed and not outcome.covered) else None
    return replace(
        outcome,
        verdict=verdict,
        reason=reason,
        advice=advice or reason.advice,
        waiver=waiver,
        rules=RULES,
        cause=key,
    )
