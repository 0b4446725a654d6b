"""What a stored run's failures are due to, and a person's decision on that.

One rule: stored verdicts and causes never change; a decision is kept beside them.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from harness.blame import RULES
from harness.errors import RunUnfit
from harness.jobs.choices import LATEST, STORE
from harness.jobs.settle import Evaluator, earlier_runs
from harness.jobs.stores import AnyStore, existing, named_run
from harness.jobs.tables import load_jobs, with_recorded
from harness.rack import Rack
from harness.records import CauseKind, Overruling, RunRecord
from harness.shuttle import nearest


@dataclass(frozen=True)
class Triage:
    """A stored run with its causes; ``again`` is the run as today's rules see it.

    That is None if the stored verdicts are by these rules, or if the files of the run were not
    given; ``why`` then says which.
    """

    record: RunRecord
    again: RunRecord | None
    why: str


def triage(run: str = LATEST, store: AnyStore = STORE, rack: Rack | None = None) -> Triage:
    """Read a stored run with its causes; with its ``rack``, evaluate it by today's rules too.

    ``run`` is its id, or ``latest``; nothing that is stored changes. Raises StoreError, and
    InputError if the rack's tables cannot be read.
    """
    with existing(store) as kept:
        record = named_run(kept, run)
        earlier = earlier_runs(record, kept) if rack is not None else ()
    outcomes = record.outcomes
    others = {o.rules for o in outcomes if o.rules != RULES and o.attempts}
    if not others:
        return Triage(record, None, "")
    which = "Its verdicts are provisional" if "" in others else "Older rules gave its verdicts"
    if rack is None:
        return Triage(record, None, f"{which}; --rack with its rack file evaluates it again.")
    jobs = load_jobs(rack, with_recorded(rack.shuttle, outcomes))
    known = {job.key: job.pattern.sha256 for job in jobs}
    changed = {o.table_file for o in outcomes if known.get((o.design, o.table)) != o.table_sha256}
    left_out = f"; changed since then and left out: {', '.join(sorted(changed))}" if changed else ""
    return Triage(record, Evaluator(rack, jobs).evaluate(record, earlier), f"{which}{left_out}.")


def overrule(
    run: str, key: str, kind: str, name: str, reason: str, store: AnyStore = STORE
) -> RunRecord:
    """Keep a person's decision on a cause: what it is instead, who says so, and why.

    ``run`` is its id, or ``latest``; ``kind`` the code of a ``CauseKind``. It is shown wherever the
    cause is; verdicts stay. Raises StoreError, and RunUnfit if there is no such run, cause or kind,
    or if name or reason is empty.
    """
    kinds = {each.value: each for each in CauseKind}
    if kind not in kinds:
        raise RunUnfit(f'"{kind}" is no kind of cause; {nearest(kind, kinds)}')
    if not name.strip() or not reason.strip():
        raise RunUnfit("a decision on a cause needs the name of the person and a reason")
    with existing(store) as kept:
        run_id = named_run(kept, run).run_id
        decided = Overruling(kinds[kind], name.strip(), reason.strip(), datetime.now(UTC))
        kept.overrule(run_id, key, decided)
        return kept.run(run_id)
