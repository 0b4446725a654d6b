"""Designs for which a virtual chip has no working model.

One rule: running such a design fails at once, and the board stays usable for all other designs. A
design without a model is not even selected.
"""

from __future__ import annotations

from collections.abc import Iterable

from harness.board import BoardIdentity, Capture, RunConditions
from harness.errors import Finding, ModelMissing
from harness.rack.model import Rack
from harness.rack.session import BoardSession
from harness.shuttle import Design
from harness.table import NO_CYCLES, Cycles, Pattern
from harness.virtual import check_models


def check_rack_models(rack: Rack, designs: Iterable[Design]) -> list[Finding]:
    """Find what is wrong with the netlists of designs; nothing if no slot is virtual."""
    virtual = any(slot.virtual for slot in rack.slots)
    return check_models(designs) if virtual else []


class ModelledSession:
    """A session with a virtual board, which has only the designs with a netlist."""

    def __init__(self, session: BoardSession) -> None:
        self._session = session
        self._missing = ""
        self.supply_ma, self.cancel, self.close = session.supply_ma, session.cancel, session.close

    @property
    def identity(self) -> BoardIdentity:
        """Who answered."""
        return self._session.identity

    def select(self, design: Design) -> None:
        """Select a design; one without a model leaves the board as it is."""
        self._missing = _why_missing(design)
        if self._missing:
            return
        try:
            self._session.select(design)
        except ModelMissing as error:
            self._missing = str(error)

    def run(
        self, pattern: Pattern, conditions: RunConditions, *, window: Cycles = NO_CYCLES
    ) -> Capture:
        """Run a pattern; raises ModelMissing if the selected design has no working model."""
        if self._missing:
            raise ModelMissing(self._missing)
        return self._session.run(pattern, conditions, window=window)


def _why_missing(design: Design) -> str:
    """Say why a virtual chip has no model of a design; empty if it has.

    No folder is named: in a replay it would be gone by now.
    """
    none = f"a virtual chip has no model of this design; {design.name}"
    if design.netlist is None:
        return f"{none} has no netlist"
    findings = check_models([design])
    if not findings:
        return ""
    first = findings[0].message.replace(str(design.folder), design.folder.name)
    return f"{none}/{design.netlist.name} cannot be used: {first}"
