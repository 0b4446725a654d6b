"""What nights of a rack are compared with: the verdicts of the run that was accepted last.

One rule: no evidence is read, for nothing is compared with it; so the answer costs the same however
much a run has kept of its failures.
"""

from __future__ import annotations

from sqlalchemy import Connection, select

from harness.judge import Baseline, KnownVerdict, RunKind, Verdict
from harness.store.models import OutcomeRow, RunRow
from harness.store.undisturbed import undisturbed


def read_baseline(connection: Connection, rack: str) -> Baseline | None:
    """Read the baseline of a rack, in the order of its outcomes; None if there is none."""
    run_id = connection.scalar(
        select(RunRow.run_id)
        .where(RunRow.rack == rack, RunRow.accepted.is_not(None), RunRow.kind == RunKind.RUN)
        .order_by(RunRow.accepted.desc())
        .limit(1)
    )
    if run_id is None:
        return None
    o = OutcomeRow
    verdicts = {verdict.value: verdict for verdict in Verdict}
    with undisturbed():
        rows = connection.execute(
            select(o.slot, o.chip_serial, o.design, o.table_name, o.verdict)
            .where(o.run_id == run_id)
            .order_by(o.number)
        ).all()
        found = [
            KnownVerdict(slot, chip, design, table, verdicts[verdict])
            for slot, chip, design, table, verdict in rows
        ]
    return Baseline(run_id, tuple(found))
