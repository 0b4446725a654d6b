"""Unforeseen errors in each call that a slot makes: that slot's ERROR, no other's."""

from __future__ import annotations

import logging
import threading
from typing import Any

import pytest

from harness.board import BoardIdentity
from harness.errors import BoardSilent, StoreError, ToolFault
from harness.rack import BoardSession, Event, Slot, SlotWorker, StopSwitch, run_slots, station
from harness.rack.power import PowerCycle
from harness.records import ChipRecord, Outcome, Verdict
from harness.shuttle import Design
from tests.unit.judge.samples import FunctionSession
from tests.unit.rack.test_slots import Memory, cases, verdicts

SAID = (
    "harness itself failed (IndexError: list index out of range); please report it, with the "
    "traceback in the run's log"
)
PASSED = [Verdict.PASS] * 3
ONE_ERROR = [Verdict.PASS, Verdict.ERROR, Verdict.PASS]
NOTHING = [Verdict.NOT_RUN] * 3


def broken(*_: object, **__: object) -> Any:
    """Fail in an unforeseen way."""
    raise IndexError("list index out of range")


class Breaking(FunctionSession):
    """A session that breaks in one of its calls; in its second table if it has one."""

    def __init__(self, call: str) -> None:
        super().__init__()
        self._call = call

    @property
    def identity(self) -> BoardIdentity:
        return broken() if self._call == "identity" else self._who

    @identity.setter
    def identity(self, who: BoardIdentity) -> None:
        self._who = who

    def select(self, design: Design) -> None:
        if self._call == "select" and design.name == "b":
            broken()
        super().select(design)

    def run(self, *arguments: Any, **words: Any) -> Any:
        if self._call == "run" and self.selected[-1] == "b":
            broken()
        return super().run(*arguments, **words)

    def close(self) -> None:
        super().close()
        if self._call == "close":
            broken()


class BreakingMemory(Memory):
    """A sink that breaks when it is handed a chip, or the outcome of the second table."""

    def __init__(self, call: str) -> None:
        super().__init__()
        self._call = call

    def record_chip(self, chip: ChipRecord) -> None:
        if self._call == "record_chip" and not chip.trouble:
            broken()
        super().record_chip(chip)

    def record_outcome(self, outcome: Outcome) -> None:
        passes = outcome.verdict is Verdict.PASS
        if self._call == "record_outcome" and outcome.design == "b" and passes:
            broken()
        super().record_outcome(outcome)


def run(call: str, *, power: PowerCycle | None = None, opener: Any = None) -> tuple[Memory, Memory]:
    """Run a slot in which a call breaks beside a good one; what both left."""
    bad, good, stop = BreakingMemory(call), Memory(), StopSwitch()

    def observe(event: Event) -> None:
        if call == "observe":
            broken()
        bad.observe(event)

    def work(name: str, memory: Memory, open_slot: Any, watcher: Any) -> SlotWorker:
        slot = Slot(name, "port", "WB-01", "PK-01", power_cycle=power, patience_s=0.0)
        wanted = cases("a", "b", "c")
        return SlotWorker(slot, wanted, memory.means(open_slot, stop, watcher), {})

    opener = opener or (lambda _: broken() if call == "open" else Breaking(call))
    workers = [
        work("A1", bad, opener, observe),
        work("A2", good, opener if power else lambda _: FunctionSession(), good.observe),
    ]
    run_slots({one.slot: one.run for one in workers}, stop)
    assert not stop.stopped
    return bad, good


@pytest.mark.parametrize(
    ("call", "left"),
    [
        ("open", NOTHING),
        ("identity", NOTHING),
        ("record_chip", NOTHING),
        ("select", ONE_ERROR),
        ("run", ONE_ERROR),
        ("record_outcome", ONE_ERROR),
        ("close", PASSED),
        ("observe", PASSED),
    ],
)
def test_a_call_that_breaks_is_the_error_of_its_slot_and_the_others_go_on(
    call: str, left: list[Verdict], caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.ERROR, "harness"):
        bad, good = run(call)
    assert (verdicts(bad), verdicts(good)) == (left, PASSED)
    assert good.seen[-1] == "finished"
    where = "a watcher of the run" if call == "observe" else "slot A1"
    assert f"{where}: please report this fault of harness itself" in caplog.text
    assert "Traceback (most recent call last)" in caplog.text
    trouble = bad.chips[-1].trouble
    assert trouble == (f"slot A1, port port: {SAID}" if left is NOTHING else "")
    if left is ONE_ERROR:
        assert bad.outcomes[1].summary == f"Could not be run: {SAID}"
        assert "says nothing about the chip. Report it" in bad.outcomes[1].advice


@pytest.mark.parametrize(
    ("module", "name", "left"),
    [
        (station, "examine", [Verdict.ERROR] * 3),
        (station, "replace", NOTHING),
        (station, "cycle_power", NOTHING),
    ],
)
def test_judging_and_power_cycling_may_break_too(
    module: Any, name: str, left: list[Verdict], monkeypatch: pytest.MonkeyPatch
) -> None:
    def opener(slot: Slot) -> BoardSession:
        if name == "cycle_power" and slot.name == "A1":
            raise BoardSilent("silent")
        return FunctionSession()

    good = getattr(module, name)

    def breaks(*arguments: Any, **words: Any) -> Any:
        own = threading.current_thread().name == "slot A1"
        return broken() if own else good(*arguments, **words)

    monkeypatch.setattr(module, name, breaks)
    bad, good_slot = run(name, power=PowerCycle(("hub",)), opener=opener)
    assert (verdicts(bad), verdicts(good_slot)) == (left, PASSED)


def test_ctrl_c_and_a_store_that_keeps_nothing_still_end_the_run() -> None:
    for error in (KeyboardInterrupt(), StoreError("disk is full")):

        def raises(_: Slot, error: BaseException = error) -> BoardSession:
            raise error

        stop = StopSwitch()
        memory = Memory()
        slot = Slot("A1", "port", "WB-01", "PK-01")
        one = SlotWorker(slot, cases("a"), memory.means(raises, stop), {})
        with pytest.raises(type(error)):
            run_slots({"A1": one.run}, stop)
        assert stop.stopped


def test_what_a_slot_cannot_even_tell_is_raised_when_the_others_have_ended() -> None:
    class Deaf(Memory):
        def record_outcome(self, outcome: Outcome) -> None:
            broken(outcome)

    bad, good, stop = Deaf(), Memory(), StopSwitch()
    workers = [
        SlotWorker(
            Slot(name, "port", "WB-01", "PK-01"),
            cases("a", "b", "c"),
            memory.means(lambda _: FunctionSession(), stop),
            {},
        )
        for name, memory in (("A1", bad), ("A2", good))
    ]
    with pytest.raises(ToolFault) as caught:
        run_slots({one.slot: one.run for one in workers}, stop)
    assert str(caught.value) == SAID
    assert verdicts(good) == PASSED
