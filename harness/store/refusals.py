"""What the store does not do with a run or an intake: errors that say what to do instead.

One rule: an intake is no night of its rack, so it can be neither a baseline nor resumed.
"""

from __future__ import annotations

from harness.errors import RunUnfit, StoreError
from harness.records import RunHeading, RunKind

_GOES_ON = "`harness intake RACK.toml` goes on with an intake that was left"


def none_kept(place: str, kind: RunKind | None) -> StoreError:
    """No run of this kind is kept; None stands for any."""
    if kind is RunKind.INTAKE:
        return StoreError(f"{place}: no intake is kept here yet; harness intake begins one")
    aside = ", intakes aside" if kind is RunKind.RUN else ""
    return StoreError(f"{place}: no run is kept here yet{aside}; run a table first")


def refuse_as_baseline(place: str, run: RunHeading) -> None:
    """Raise RunUnfit for what can be no baseline: an intake, or a run that is not whole."""
    if run.kind is RunKind.INTAKE:
        message = (
            f"{place}: {run.run_id} is an intake, no night of its rack, so it can be no baseline; "
            f"accept a run of `harness run` or `harness nightly`. {_GOES_ON}"
        )
        raise RunUnfit(message)
    if run.finished is None or run.cancelled:
        state = "was stopped" if run.cancelled else "is not finished"
        message = (
            f"{place}: run {run.run_id} {state}, so it can be no baseline; finish it "
            "with --resume, or accept another"
        )
        raise RunUnfit(message)


def nothing_judged(place: str, run_id: str) -> RunUnfit:
    """A run without a verdict on any chip: whatever failed before would be news again."""
    message = (
        f"{place}: run {run_id} tested nothing, so as a baseline it would make nothing known; "
        "accept another"
    )
    return RunUnfit(message)


def refuse_to_resume(place: str, run: RunHeading) -> None:
    """Raise RunUnfit for an intake."""
    if run.kind is RunKind.INTAKE:
        told = f"{run.run_id} is an intake, and --resume goes on with runs only; {_GOES_ON}"
        raise RunUnfit(f"{place}: {told}")
