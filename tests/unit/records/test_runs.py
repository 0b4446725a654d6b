"""What was read in part is no run, to the type checker already."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from harness.judge import changes
from harness.records import ChipOfRun, RunHeading, RunOverview, Verdict
from harness_reports import run_json
from tests.unit.store.samples import chip, heading
from tests.unit.store.test_store import failing_outcome

if TYPE_CHECKING:  # an ignore that nothing needs would be an error itself

    def refused(part: RunHeading, seen: RunOverview, one: ChipOfRun) -> None:
        run_json(part)  # type: ignore[arg-type]
        run_json(seen)  # type: ignore[arg-type]
        run_json(one)  # type: ignore[arg-type]
        changes(seen, None)  # type: ignore[arg-type]
        _ = one.chips[0].verdict  # type: ignore[attr-defined]


def test_an_overview_has_each_verdict_and_the_first_outcome_of_those_that_are_no_pass() -> None:
    verdicts = (Verdict.PASS, Verdict.FAIL, Verdict.ERROR, Verdict.FAIL)
    outcomes = tuple(replace(failing_outcome(), verdict=verdict) for verdict in verdicts)
    run = replace(heading(), chips=(replace(chip(), outcomes=outcomes), chip("A2", "no answer")))
    first, second = run.overview.chips
    assert tuple(table.verdict for table in first.tables) == verdicts
    assert first.firsts == outcomes[1:3]
    assert (first.verdict, second.verdict) == (Verdict.FAIL, Verdict.ERROR)
    assert (second.tables, second.firsts) == ((), ())
