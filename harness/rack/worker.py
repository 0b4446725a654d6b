"""The work of a run on its slots: each has a thread, and its tables run in order.

One rule: an outcome is stored before it is reported, and what goes wrong in a slot stays there.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime

from harness.errors import (
    Cancelled,
    HarnessError,
    LinkError,
)
from harness.judge import (
    Case,
    not_run,
    unusable,
)
from harness.rack.boundary import harmless, within
from harness.rack.events import (
    SlotFinished,
    TableJudged,
)
from harness.rack.model import Slot
from harness.rack.policy import Policy, RunMeans, TableRun
from harness.rack.session import StopSwitch
from harness.rack.station import Station
from harness.records import ChipRecord, Outcome, Reason, SlotPins

STOPPED = Reason.RUN_STOPPED, "the run was stopped"
RECONNECTS = 3
"""How often a slot's link is reopened after it was lost during a run."""
POLL_SECONDS = 0.2
"""How often the waiting thread wakes up, so that signals are handled."""


def not_back(lost: Outcome, why: str) -> Outcome:
    """Add to the outcome of a table that its board did not come back."""
    return replace(lost, summary=f"{lost.summary} It did not come back: {why}.")


class SlotWorker:
    """Runs the cases of one slot in order; every outcome is stored before it is reported.

    A StoreError passes through: results that cannot be stored end the slot. Any other error becomes
    an ERROR of the table, or the slot's trouble. ``names`` holds the placeholders of the command
    that cycles the board's power; ``record`` is what is already known about the chip. ``extras``
    are tables of the continuity test ``pins`` that were not requested: they run first, and their
    outcomes are kept with the test.
    """

    def __init__(
        self,
        slot: Slot,
        cases: Sequence[Case],
        means: RunMeans,
        names: Mapping[str, str],
        record: ChipRecord | None = None,
        pins: SlotPins | None = None,
        extras: Sequence[Case] = (),
    ) -> None:
        self.slot = slot.name
        self._cases = cases
        self._pins = pins or SlotPins(slot.name, (), (), ())
        self._extras = extras if cases else ()
        self._means = means
        self._observe = harmless(means.observe)
        policy = Policy(
            means.stop,
            self._observe,
            means.keep_chip,
            names,
            must_be=slot.board,
            losses=RECONNECTS,
            lost="the link was lost in {where}, which will run again ({error})",
            tables=len(cases),
        )
        self._station = Station(slot, means.open_slot, policy, record)
        self._over: tuple[Reason, str] | None = None
        """Why no more tables are run."""

    def run(self) -> None:
        """Work until every case has its outcome; always leaves the board and reports the end."""
        station = self._station
        try:
            within(station.where, lambda: self._means.keep_chip(station.record), self._cannot_use)
            if self._cases and self._pins.tables:
                self._means.keep_pins(self._pins)
            for case in self._extras:
                self._judge(case, self._keep_extra)
            for case in self._cases:
                self._judge(case, self._keep)
        finally:
            station.close()
            self._observe(SlotFinished(self.slot, station.record.trouble))

    def _judge(self, case: Case, keep: Callable[[Outcome], None]) -> None:
        ran, began = self._ran(case), datetime.now(UTC)
        if ran is None:
            keep(not_run(case, *(self._over or STOPPED), began))
        elif ran.gone is not None:
            self._station.remarks()  # they are part of the reason already
            keep(not_back(ran.outcome, self._plain(ran.gone)))
            self._cannot_use(ran.gone)
        else:
            outcome = ran.outcome
            within(
                self._station.where,
                lambda: keep(outcome),
                lambda error: keep(unusable(case, error, began)),
            )
            if ran.broken is not None and self._station.losses < 0:
                self._over = Reason.FAULT_BEFORE, str(ran.broken)
                if isinstance(ran.broken, LinkError):
                    text = f"the link was lost again ({ran.broken})"
                    self._over = Reason.LINK_LOST_BEFORE, text

    def _ran(self, case: Case) -> TableRun | None:
        """Run a case, unless the slot is over."""
        station = self._station
        if self._means.stop.stopped:
            self._over = self._over or STOPPED
        if self._over is not None:
            return None
        try:
            return within(
                station.where, lambda: station.run(case, self._means.retry), self._cannot_use
            )
        except Cancelled:
            self._over = STOPPED
            return None

    def _cannot_use(self, error: HarnessError) -> None:
        """Note why the slot cannot be used; its chip stays unjudged."""
        station = self._station
        station.close()
        station.remarks()  # they are part of the reason already
        why = self._plain(error)
        self._over = Reason.BOARD_UNUSABLE, why
        place = f"{station.where}, port {station.record.port or 'not given'}"
        station.record = replace(station.record, trouble=f"{place}: {why}")
        self._means.keep_chip(station.record)

    def _plain(self, error: HarnessError) -> str:
        port = self._station.record.port
        return error.beside(port) if isinstance(error, LinkError) else str(error)

    def _keep(self, outcome: Outcome) -> None:
        """Store an outcome, then report it."""
        outcome = self._with_remarks(outcome)
        self._means.keep(outcome)
        self._observe(TableJudged(self.slot, outcome))

    def _keep_extra(self, outcome: Outcome) -> None:
        """Store the outcome of a table that was not requested."""
        extras = (*self._pins.extras, self._with_remarks(outcome))
        self._pins = replace(self._pins, extras=extras)
        self._means.keep_pins(self._pins)

    def _with_remarks(self, outcome: Outcome) -> Outcome:
        summary = " ".join((outcome.summary, *self._station.remarks()))
        return replace(outcome, summary=summary)


def run_slots(works: Mapping[str, Callable[[], None]], stop: StopSwitch) -> None:
    """Do the work of all slots, by name, in parallel; each has a thread.

    Once the switch is thrown this returns as soon as each slot has marked the rest as not run. A
    store that fails stops every slot. That error, or any that a slot could not turn into an ERROR,
    is raised here when all have ended.
    """
    failures: list[BaseException] = []

    def work(where: str, done: Callable[[], None]) -> None:
        """Do the work; only an error that concerns every slot stops the others."""
        try:
            within(where, done, failures.append)
        except BaseException as error:  # noqa: BLE001 - raised again by the waiting thread
            failures.insert(0, error)
            stop.stop()

    names = {name: f"slot {name}" for name in works}
    # daemons, so that a second Ctrl-C ends the process without waiting for a board
    threads = [
        threading.Thread(target=work, args=(names[name], done), name=names[name], daemon=True)
        for name, done in works.items()
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        while thread.is_alive():
            thread.join(POLL_SECONDS)
    if failures:
        raise failures[0]
