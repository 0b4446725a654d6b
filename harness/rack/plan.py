"""What a slot does next: a pure decision, made from what has happened so far.

One rule: nothing here knows a port, a thread or a clock. A worker asks :func:`next_step`, does
it, and tells what came of it by one of the verbs of :class:`SlotState`.

Designs follow each other in the order given; all tables of a design run after one selection. A
table that lost its link is run again from its start, once. A slot's link is opened again
``RECONNECTS`` times; after that the rest is not run.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from harness.judge import Case

RECONNECTS = 3
"""How often a slot's link is opened again after it was lost in the middle of the run."""


@dataclass(frozen=True)
class Connect:
    """Open a session with the board."""


@dataclass(frozen=True, eq=False)
class SelectDesign:
    """Select the design of the next table."""

    case: Case


@dataclass(frozen=True, eq=False)
class RunTable:
    """Run and judge the next table."""

    case: Case


@dataclass(frozen=True, eq=False)
class GiveUp:
    """Mark what is left as not run, for this reason."""

    reason: str
    rest: tuple[Case, ...]


@dataclass(frozen=True)
class Finish:
    """Nothing is left to do."""


Step = Connect | SelectDesign | RunTable | GiveUp | Finish


@dataclass(frozen=True, eq=False)
class SlotState:
    """How far a slot has come. ``stopped`` is why it goes no further, empty while it does."""

    rest: tuple[Case, ...]
    connected: bool = False
    selected: str = ""
    reconnects: int = RECONNECTS
    interrupted: bool = False
    stopped: str = ""

    @property
    def may_run_again(self) -> bool:
        """Whether the next table may be run from its start if the link is lost in it."""
        return self.reconnects > 0 and not self.interrupted

    def after_connect(self) -> SlotState:
        """Note that a session is open and no design is selected in it."""
        return replace(self, connected=True, selected="")

    def after_select(self, design: str) -> SlotState:
        """Note which design is selected."""
        return replace(self, selected=design)

    def after_table(self) -> SlotState:
        """Note that the next table has its outcome."""
        return replace(self, rest=self.rest[1:], interrupted=False)

    def after_interruption(self) -> SlotState:
        """Note that the link was lost in a table that is to be run again from its start."""
        lost = replace(self, connected=False, selected="", interrupted=True)
        return replace(lost, reconnects=self.reconnects - 1)

    def after_loss(self, reason: str) -> SlotState:
        """Note that the link was lost in a table, which has its outcome already."""
        lost = replace(self, connected=False, selected="")
        if self.reconnects:
            return replace(lost, reconnects=self.reconnects - 1)
        return replace(lost, stopped=reason)

    def after_stop(self, reason: str) -> SlotState:
        """Note that the slot goes no further, and why."""
        return replace(self, connected=False, selected="", stopped=reason)


def next_step(state: SlotState) -> Step:
    """Decide what the slot does now."""
    if not state.rest:
        return Finish()
    if state.stopped:
        return GiveUp(state.stopped, state.rest)
    if not state.connected:
        return Connect()
    case = state.rest[0]
    if state.selected != case.design.name:
        return SelectDesign(case)
    return RunTable(case)
