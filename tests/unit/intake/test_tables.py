"""Tables of an intake on boards that go away, and the choice after the first that does not pass."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from harness.board import BoardIdentity, BoardProfile, ParallelSelect
from harness.errors import BoardLost, BoardMisbehaved, LinkError, PortUnavailable, StoreError
from harness.intake import Intake, IntakePlan, Journal, JournalHeading, Result, StepResult
from harness.intake.bench import Bench, IntakeMeans
from harness.intake.progress import Lost, Measured, Progress, Replied, Worked
from harness.intake.steps import STEPS
from harness.jobs.run import new_run
from harness.rack import BoardSession, ContinuityTest, Job, Opener, Rack, Slot, station
from harness.records import Verdict
from harness.store import Store
from tests.unit.judge.samples import REHEARSED, FunctionSession, case, good_chip

FAULT = (
    "harness itself failed (IndexError: list index out of range); please report it, with the "
    "traceback in the run's log"
)
SLOT = Slot("A1", "/dev/ttyNONE1", "WB-01", "PK-01", patience_s=0.0)
PROFILE = BoardProfile(
    "Perch", "none", {}, ParallelSelect(("seld",)), Path("board.toml"), "ee" * 32
)


def bad_chip(cycle: int, drive: int) -> int:
    """Answer of a chip whose outputs are stuck low."""
    return drive & 0b11


def board(*answers: object, name: str = "WB-01") -> FunctionSession:
    who = BoardIdentity(name, "1", "none", "generic", exact=False)
    return FunctionSession(answers=answers or (good_chip,), identity=who)  # type: ignore[arg-type]


@dataclass
class Lab:
    """A bench with three tables, boards that answer in turn, and what was said."""

    store: Store
    boards: list[BoardSession | LinkError]
    slot: Slot = SLOT
    opener: Opener | None = None
    said: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        plain = case()
        names = ("a", "b", "c")
        designs = [replace(plain.design, name=name) for name in names]
        chosen = tuple(Job(one, plain.spec, plain.pattern, REHEARSED) for one in designs)
        self.rack, self.plan = (
            Rack("bench", plain.shuttle, PROFILE, (self.slot,)),
            IntakePlan(ContinuityTest((chosen[0].key,)), chosen),
        )
        run = new_run(self.rack)
        self.run_id = run.run_id
        self.store.start_run(run)
        where = self.rack, self.plan, self.run_id, self.store
        talk = self.said.append
        self.means = IntakeMeans(*where, self.opener or self._open, {}, talk, lambda run: run)
        self.bench = Bench(self.slot, self.means)

    def _open(self, _: Slot) -> BoardSession:
        found = self.boards.pop(0)
        if isinstance(found, LinkError):
            raise found
        return found

    def tables(self, choice: str = "continue", attempt: int = 0) -> Worked | str:
        return self.bench.run_tables(choice, attempt)

    def verdicts(self) -> dict[str, Verdict]:
        (chip,) = self.store.run(self.run_id).chips
        return {outcome.design: outcome.verdict for outcome in chip.outcomes}

    def summary(self, design: str) -> str:
        (chip,) = self.store.run(self.run_id).chips
        return next(outcome.summary for outcome in chip.outcomes if outcome.design == design)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(str(tmp_path / "s.sqlite")) as opened:
        yield opened


def lab(store: Store, *boards: BoardSession | LinkError, slot: Slot = SLOT) -> Lab:
    return Lab(store, list(boards), slot)


def told(found: Worked | str) -> tuple[Result, str]:
    assert isinstance(found, Worked)
    return found.result, found.text


def test_a_good_chip_passes_every_table(store: Store) -> None:
    found = lab(store, board())
    assert told(found.tables()) == (Result.DONE, "3 of 3 passed")


def test_a_link_that_is_lost_once_costs_a_repeat_and_is_told(store: Store) -> None:
    found = lab(store, board(good_chip, good_chip, BoardLost("gone")), board())
    assert told(found.tables()) == (Result.DONE, "3 of 3 passed")
    again = [name for name in "abc" if "run again from its start" in found.summary(name)]
    assert len(again) == 1
    assert "  The link was lost (gone)." in found.said


def test_a_board_that_does_not_come_back_is_an_error_and_never_a_verdict(store: Store) -> None:
    found = lab(store, board(BoardLost("gone")), PortUnavailable("no such port"))
    result, text = told(found.tables())
    assert result is Result.FAILED
    assert text == "0 of 3 passed; a/all ERROR; the board did not come back: no such port"
    verdicts = {"a": Verdict.ERROR, "b": Verdict.NOT_RUN, "c": Verdict.NOT_RUN}
    assert found.verdicts() == verdicts
    assert "It did not come back: no such port." in found.summary("a")


def test_what_could_not_be_tested_runs_when_the_step_is_repeated(store: Store) -> None:
    found = lab(store, board(BoardLost("gone")), PortUnavailable("no such port"), board())
    found.tables()
    assert told(found.tables(attempt=1)) == (Result.DONE, "3 of 3 passed")


def test_a_link_that_is_lost_twice_ends_the_step(store: Store) -> None:
    found = lab(store, board(BoardLost("gone")), board(BoardLost("gone again")))
    assert told(found.tables())[1].endswith("a/all ERROR; the link was lost (gone again)")


def test_a_failure_is_never_repeated_until_it_passes(store: Store) -> None:
    found = lab(store, board(bad_chip, bad_chip, bad_chip, bad_chip, good_chip), board())
    found.tables()
    before = found.verdicts()
    assert before["a"] is Verdict.FAIL
    found.bench.station.close()
    assert told(found.tables(attempt=1))[0] is Result.FAILED
    assert found.verdicts()["a"] is Verdict.FAIL


def test_what_passed_before_the_chip_was_off_its_board_runs_again_and_a_failure_stands(
    store: Store,
) -> None:
    found = lab(store, board(bad_chip, bad_chip, bad_chip, good_chip), board())
    found.tables()
    failed = [name for name in "abc" if found.verdicts()[name] is Verdict.FAIL]
    assert 0 < len(failed) < 3
    found.bench.moved(1)
    assert [found.verdicts()[name] for name in failed] == [Verdict.FAIL] * len(failed)
    passed = next(name for name in "abc" if name not in failed)
    assert found.verdicts()[passed] is Verdict.NOT_RUN
    assert found.summary(passed).startswith("Not run")
    assert "passed before the chip was off its board" in found.summary(passed)
    again = found.tables()
    assert isinstance(again, Worked)
    assert (again.result, again.left) == (Result.FAILED, 0)
    assert found.verdicts()[passed] is Verdict.PASS


def test_a_crash_between_store_and_journal_has_more_run_again_and_never_less(
    store: Store, tmp_path: Path
) -> None:
    """Passes of an earlier seat are taken back before the answer that says so is kept."""
    found = lab(store, board())
    found.tables()
    heading = JournalHeading(found.run_id, "rack", (), "Ada Example", "t", ())
    journal = Journal.begin(tmp_path / "j.jsonl", heading)
    sitting = sitting_at(found, journal)
    (tmp_path / "j.jsonl").unlink()
    (tmp_path / "j.jsonl").mkdir()  # from now on no answer can be kept
    progress = Progress("PK-01", ".*", 150.0, results=(StepResult("damage", Result.DONE, "", ""),))
    with pytest.raises(StoreError):
        sitting._took(SLOT, progress, Replied("again", "t"), found.bench)
    assert set(found.verdicts().values()) == {Verdict.NOT_RUN}


def sitting_at(found: Lab, journal: Journal) -> Intake:
    return Intake(found.means, journal, "Ada Example", Silent())


class Silent:
    """A terminal without a person."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def say(self, text: str) -> None:
        """Keep the text."""
        self.said.append(text)

    def ask(self, prompt: str, hint: str) -> str:
        """Leave."""
        raise EOFError(prompt, hint)


def test_tables_without_a_verdict_are_counted(store: Store) -> None:
    found = lab(store, board(BoardLost("gone")), PortUnavailable("no such port")).tables()
    assert isinstance(found, Worked)
    assert found.left == 3


def test_without_a_choice_the_first_bad_table_is_told_and_nothing_more_runs(store: Store) -> None:
    found = lab(store, board(bad_chip))
    assert found.tables("") == "a/all is FAIL, 2 more to run"
    assert found.verdicts() == {"a": Verdict.FAIL}
    stopped = "0 of 3 passed; a/all FAIL; stopped early, as requested, after a/all"
    assert told(found.tables("stop")) == (Result.FAILED, stopped)
    assert found.verdicts()["b"] is Verdict.NOT_RUN


def test_stop_given_beforehand_stops_after_the_first_bad_table(store: Store) -> None:
    found = lab(store, board(bad_chip))
    assert "stopped early, as requested, after a/all" in told(found.tables("stop"))[1]
    assert [found.verdicts()[name] for name in "bc"] == [Verdict.NOT_RUN] * 2


def test_another_board_than_before_is_refused(store: Store) -> None:
    anybody = replace(SLOT, board="")
    found = lab(store, board(), board(name="WB-02"), slot=anybody)
    found.bench.identify()
    found.bench.station.close()
    with pytest.raises(
        BoardMisbehaved, match="reports WB-02, before it was WB-01; plug every board"
    ):
        found.tables()


def test_the_board_of_another_slot_fails_the_identity_until_the_right_one_is_there(
    store: Store,
) -> None:
    found = lab(store, board(name="WB-02"), board())
    wrong = found.bench.identify()
    assert (wrong.result, wrong.text) == (
        Result.FAILED,
        "the board reports WB-02, the rack file says WB-01",
    )
    assert found.bench.identify().result is Result.DONE


def test_a_board_without_a_sensor_leaves_the_current_to_the_person(store: Store) -> None:
    found = lab(store, board()).bench.measure()
    assert isinstance(found, Lost)
    assert found.text == "the board's sensor gives no reading"


def test_a_current_is_measured_once_more_when_the_link_breaks_and_says_so_itself(
    store: Store,
) -> None:
    bench = lab(store, Sensing([BoardLost("gone")]), Sensing([41.0])).bench
    found = bench.measure()
    assert isinstance(found, Measured)
    assert found.milliamperes == 41.0
    assert found.text == "The link was lost once, and this was done again from its start."
    assert bench.identify().text == "WB-01"


class Sensing(FunctionSession):
    """A board whose sensor answers in turn."""

    def __init__(self, readings: Sequence[float | LinkError]) -> None:
        super().__init__()
        self._readings = list(readings)

    def supply_ma(self) -> float | None:
        reading = self._readings.pop(0)
        if isinstance(reading, LinkError):
            raise reading
        return reading


def breaks(*_: object, **__: object) -> Any:
    """Fail in an unforeseen way."""
    raise IndexError("list index out of range")


@pytest.mark.parametrize("call", ["select", "run", "examine"])
def test_what_nobody_thought_of_is_the_error_of_its_table_and_ends_the_step(
    store: Store, call: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = board()
    if call == "examine":
        monkeypatch.setattr(station, "examine", breaks)
    else:
        monkeypatch.setattr(first, call, breaks)
    found = lab(store, first)
    text = f"0 of 3 passed; a/all ERROR; {FAULT}"
    assert told(found.tables()) == (Result.FAILED, text)
    assert found.summary("a") == f"Could not be run: {FAULT}"
    assert first.closed == 1


@pytest.mark.parametrize("step", ["current", "board", "pins", "tables"])
def test_a_step_that_breaks_is_a_board_that_could_not_be_used(store: Store, step: str) -> None:
    found = Lab(store, [], opener=breaks)
    sitting = sitting_at(found, Journal(Path("no journal")))
    order = [one.key for one in STEPS]
    results = tuple(StepResult(key, Result.DONE, "", "") for key in order[: order.index(step)])
    progress = Progress("PK-01", ".*", 150.0, results=results)
    assert progress.step is not None
    assert progress.step.key == step
    event = sitting._work(progress, found.bench)
    assert isinstance(event, Lost)
    assert event.text == FAULT


def test_a_chip_whose_turn_breaks_is_put_aside_and_the_others_have_theirs(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = lab(store)
    two = replace(found.rack, slots=(SLOT, replace(SLOT, name="A2", chip="PK-02")))
    heading = JournalHeading(found.run_id, "rack", (), "Ada Example", "t", ())
    journal = Journal.begin(tmp_path / "j.jsonl", heading)
    sitting = replace(sitting_at(found, journal), means=replace(found.means, rack=two))
    turns: list[str] = []

    def turn(self: Intake, slot: Slot, *_: object) -> None:
        turns.append(slot.name)
        if slot.name == "A1":
            breaks()

    monkeypatch.setattr(Intake, "_chip", turn)
    aside = [item.name for item in sitting.chips(breaks) if isinstance(item, Slot)]
    assert (turns, aside) == (["A1", "A2", "A1", "A2"], ["A1", "A2"])
    assert isinstance(sitting.terminal, Silent)
    assert f"  PK-01 is put aside: {FAULT}." in sitting.terminal.said


def test_a_board_that_did_not_answer_its_identity_is_not_forgotten(store: Store) -> None:
    found = lab(store, board(), PortUnavailable("gone"), board(name="WB-02"))
    found.bench.measure()
    found.bench.station.close()
    with pytest.raises(PortUnavailable, match="gone"):
        found.bench.identify()
    message = "the board reports WB-02, before it was WB-01; plug every board in where it was"
    with pytest.raises(BoardMisbehaved, match=message):
        found.bench.measure()
