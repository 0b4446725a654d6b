"""What the store refuses to do with a run or an intake, and what to do instead.

One rule: an intake is not a night of its rack, so it can be neither a baseline nor resumed.
"""

from __future__ import annotations

from harness.errors import RunUnfit, StoreError
from harness.records import RunHeading, RunKind

_HOW_TO_CONTINUE = "`harness intake RACK.toml` continues an unfinished intake"


def none_kept(place: str, kind: RunKind | None) -> StoreError:
    """Say that no run of this kind is kept; None means any kind."""
    if kind is RunKind.INTAKE:
        return StoreError(
            f"{place}: no intake is kept here yet; start one with `harness intake RACK.toml`"
        )
    aside = ", apart from intakes" if kind is RunKind.RUN else ""
    return StoreError(f"{place}: no run is kept here yet{aside}; run a table first")


def refuse_as_baseline(place: str, run: RunHeading) -> None:
    """Raise RunUnfit for what cannot be a baseline: an intake, or an incomplete run."""
    if run.kind is RunKind.INTAKE:
        raise RunUnfit(
            f"{place}: {run.run_id} is an intake, not a night of its rack, so it cannot be a "
            f"baseline; accept a run of `harness run` or `harness nightly`. {_HOW_TO_CONTINUE}"
        )
    if run.finished is None or run.cancelled:
        state = "was stopped" if run.cancelled else "is not finished"
        raise RunUnfit(
            f"{place}: run {run.run_id} {state}, so it cannot be a baseline; finish it "
            "with --resume, or accept another"
        )


def nothing_judged(place: str, run_id: str) -> RunUnfit:
    """Refuse a run without verdicts as a baseline: every known failure would be new again."""
    return RunUnfit(
        f"{place}: run {run_id} has no verdicts, so it cannot be a baseline; accept another"
    )


def refuse_to_resume(place: str, run: RunHeading) -> None:
    """Raise RunUnfit for an intake."""
    if run.kind is RunKind.INTAKE:
        message = f"{run.run_id} is an intake, and --resume continues runs only; {_HOW_TO_CONTINUE}"
        raise RunUnfit(f"{place}: {message}")
