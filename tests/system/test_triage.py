"""``harness triage``: what a stored run's failures are due to, why, and a person's decision."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import harness
from harness.cli import ExitCode, main
from harness.errors import RunUnfit
from harness.intake import load_plan
from harness.records import CauseKind, Reason, RunRecord, Verdict
from harness.store import Store
from harness.virtual import BoardFault, ChipDefect
from harness.virtual.faults import NetStuck, OpenPin
from tests.system.direct_rack import direct_opener, direct_rack, run_directly

RACK = Path(__file__).parents[2] / "ci" / "demo-rack.toml"
BOARDS: dict[str, list[BoardFault]] = {"A1": [OpenPin("in3")]}
CHIPS: dict[str, list[ChipDefect]] = {"SP2-0002": [NetStuck("crc16", "rem[9]", 1)]}


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, RunRecord]:
    """A store with a run of an open input, a defective chip and a good slot."""
    place = str(tmp_path_factory.mktemp("triage") / "s.sqlite")
    tables = load_plan(direct_rack()).tables
    with Store(place) as store:
        run = run_directly(direct_rack(3), store, tables, direct_opener(BOARDS, CHIPS))
        return place, store.run(run.run_id)


def lines(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, list[str]]:
    code = main(["triage", *arguments])
    captured = capsys.readouterr()
    assert captured.err == ""
    return code, captured.out.splitlines()


def test_a_stored_run_is_explained_by_its_causes_and_ends_with_its_own_code(
    kept: tuple[str, RunRecord], capsys: pytest.CaptureFixture[str]
) -> None:
    place, run = kept
    code, said = lines(capsys, "--store", place)
    causes = [f"{cause.summary} {cause.advice}" for cause in run.causes]
    assert said[0] == f"Run {run.run_id}"
    assert said[-len(causes) :] == causes
    assert code == ExitCode.CHIP_FAILED


def test_a_slot_is_explained_by_odds_and_by_the_tables_that_decided(
    kept: tuple[str, RunRecord], capsys: pytest.CaptureFixture[str]
) -> None:
    place, run = kept
    (cause,) = (cause for cause in run.causes if cause.slots == ("A1",))
    _, said = lines(capsys, "--store", place, "--explain", "A1")
    assert said[1] == f"Cause {cause.key}: {cause.summary} {cause.advice}"
    assert said[2].split() == ["explanation", "odds", "against"]
    assert said[3].split() == ["open:", "in3", "–"]
    assert f"  A1 {cause.observations[0].table}: " in said[-len(cause.observations)]
    _, said = lines(capsys, "--store", place, "--explain", "A9")
    assert said[1] == (
        f"Run {run.run_id} has no cause for A9; ask about "
        f"{', '.join(sorted({'A1', 'A2', 'A3', *(cause.key for cause in run.causes)}))}."
    )


def test_a_persons_decision_is_kept_with_name_and_reason_and_changes_no_verdict(
    kept: tuple[str, RunRecord], capsys: pytest.CaptureFixture[str]
) -> None:
    place, run = kept
    key = next(cause.key for cause in run.causes if cause.slots == ("A1",))
    decision = [
        "--as",
        "dead-pad",
        "--name",
        "Wilma Dunlin",
        "--reason",
        "seen under the microscope",
    ]
    _, said = lines(capsys, run.run_id, "--store", place, "--overrule", key, *decision)
    assert said[0] == f"Kept with run {run.run_id}:"
    assert said[2].startswith("  Overruled by Wilma Dunlin on ")
    assert said[2].endswith(": dead-pad. seen under the microscope")
    after = harness.triage(run.run_id, place).record
    (cause,) = (cause for cause in after.causes if cause.key == key)
    assert cause.overruled is not None
    assert cause.overruled.kind is CauseKind.DEAD_PAD
    assert after.chips == run.chips


@pytest.mark.parametrize(
    ("kind", "name", "message"),
    [
        ("dead-pat", "Ada", '"dead-pat" is no kind of cause; did you mean "dead-pad"?'),
        ("dead-pad", " ", "a decision on a cause needs the name of the person and a reason"),
    ],
)
def test_a_decision_needs_a_known_kind_and_a_name(
    kept: tuple[str, RunRecord], kind: str, name: str, message: str
) -> None:
    with pytest.raises(RunUnfit) as caught:
        harness.overrule("latest", "A1", kind, name, "seen", kept[0])
    assert str(caught.value) == message


def test_provisional_verdicts_are_evaluated_beside_what_is_stored(
    kept: tuple[str, RunRecord], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, run = kept
    place = str(tmp_path / "s.sqlite")
    with Store(place) as store:
        store.start_run(replace(run, chips=tuple(
            replace(chip, outcomes=tuple(
                replace(
                    outcome, rules="", cause="",
                    verdict=outcome.provisional.verdicts[0], reason=outcome.provisional,
                )
                for outcome in chip.outcomes
            ))
            for chip in run.chips
        )))  # fmt: skip
    code, said = lines(capsys, "--store", place)
    assert code == ExitCode.NOT_TESTED, "nobody is blamed yet"
    assert said[-1] == (
        "Its verdicts are provisional; --rack with its rack file evaluates it again."
    )
    found = harness.triage("latest", place, harness.load_rack(RACK))
    assert found.why == "Its verdicts are provisional."
    assert found.again is not None
    again = tuple(replace(cause, suspects=()) for cause in run.causes)
    assert found.again.causes == again, "what is wrong inside a design, harness diagnose says"
    reasons = {o.reason for o in found.again.chips[1].outcomes if o.verdict is Verdict.FAIL}
    assert reasons == {Reason.CHIP_DEFECT}
    with Store.existing(place) as store:
        assert store.latest_run() == found.record
