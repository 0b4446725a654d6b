"""What a run is compared with: the verdicts of another; a night, with the one accepted last.

One rule: evidence is not compared, so it is not read; the cost does not depend on how much of it a
run has.
"""

from __future__ import annotations

from sqlalchemy import Connection, select

from harness.judge import Baseline, KnownVerdict
from harness.records import RunHeading, RunKind, Verdict
from harness.store.damage import verdict_of
from harness.store.models import OutcomeRow, RunRow
from harness.store.undisturbed import undisturbed

_JUDGED = tuple(verdict for verdict in Verdict if verdict.judged)


def has_judged(connection: Connection, run_id: str) -> bool:
    """Tell whether a run has a verdict on any chip."""
    judged = OutcomeRow.verdict.in_(_JUDGED)
    wanted = select(OutcomeRow.number).where(OutcomeRow.run_id == run_id, judged).limit(1)
    return connection.scalar(wanted) is not None


def read_baseline(connection: Connection, of: RunHeading) -> Baseline | None:
    """Read the accepted baseline of a run; None if there is none.

    It is another run of a rack of the same name with chips of the same shuttle, because different
    racks may have the same name.
    """
    row = connection.execute(
        select(
            RunRow.run_id,
            RunRow.started,
            RunRow.profile_sha256,
            RunRow.accepted,
            RunRow.accepted_why,
        )
        .where(
            RunRow.rack == of.rack,
            RunRow.shuttle == of.shuttle,
            RunRow.organisation == of.organisation,
            RunRow.run_id != of.run_id,
            RunRow.accepted.is_not(None),
            RunRow.kind == RunKind.RUN,
        )
        .order_by(RunRow.accepted.desc())
        .limit(1)
    ).first()
    return None if row is None else Baseline(*row, _verdicts(connection, row.run_id))


def read_as_baseline(connection: Connection, run: RunHeading) -> Baseline:
    """Read any run as one to compare with."""
    verdicts = _verdicts(connection, run.run_id)
    return Baseline(run.run_id, run.started, run.profile_sha256, None, "", verdicts)


def _verdicts(connection: Connection, run_id: str) -> tuple[KnownVerdict, ...]:
    o = OutcomeRow
    with undisturbed():
        rows = connection.execute(
            select(
                o.slot,
                o.chip_serial,
                o.design,
                o.table_name,
                o.verdict,
                o.table_sha256,
                o.mismatches,
            )
            .where(o.run_id == run_id)
            .order_by(o.number)
        ).all()
        return tuple(
            KnownVerdict(slot, chip, design, table, verdict_of(verdict), sha256, mismatches)
            for slot, chip, design, table, verdict, sha256, mismatches in rows
        )
