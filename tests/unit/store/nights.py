"""Nights to put into a store: verdicts of tables, a letter each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from harness.records import Reason, RunKind, RunRecord, Verdict
from harness.store import Store
from tests.unit.store.samples import NOON, chip, heading
from tests.unit.store.test_store import failing_outcome

LETTERS = {
    "P": Verdict.PASS,
    "F": Verdict.FAIL,
    "U": Verdict.UNSTABLE,
    "E": Verdict.ERROR,
    "W": Verdict.WAIVED,
    "-": Verdict.NOT_RUN,
}


def tonight(rack: str = "bench") -> RunRecord:
    """The heading of a run of a rack that is compared with what the store has."""
    return replace(heading("tonight"), rack=rack)


def night(number: int) -> datetime:
    return NOON + timedelta(days=number)


def keep_nights(
    store: Store, tables: Mapping[str, str], rack: str = "bench", kinds: str = ""
) -> None:
    """Keep a run per letter; ``tables`` are designs with their verdicts, night after night.

    A small letter is of a failure that belongs to the design.
    ``kinds`` has an ``i`` for a run that is an intake; all others are nights.
    """
    plain = failing_outcome()
    for number in range(max(len(letters) for letters in tables.values())):
        run_id = f"{rack}-{number}"
        kind = RunKind.INTAKE if kinds[number : number + 1] == "i" else RunKind.RUN
        store.start_run(replace(heading(run_id, night(number)), rack=rack, kind=kind))
        store.record_chip(run_id, chip())
        for design, letters in tables.items():
            if letters[number : number + 1].strip():
                letter = letters[number]
                verdict = LETTERS[letter.upper()]
                reason = Reason.DESIGN_ALIKE if letter.islower() else plain.reason
                outcome = replace(plain, design=design, verdict=verdict, reason=reason)
                store.record_outcome(run_id, replace(outcome, started=night(number)))
        store.finish_run(run_id, night(number) + timedelta(hours=1), cancelled=False)
