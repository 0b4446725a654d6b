"""Runs vector tables on shuttle chips and keeps verdicts with their evidence.

What the command line does, in a few names::

    import harness

    rack = harness.load_rack("ci/demo-rack.toml")
    record = harness.run(rack, store="runs/harness.sqlite", designs=["crc*"])
    print(record.chips[0].verdict)
    table = harness.outcomes(record)            # a pandas DataFrame, one row per table and chip
    harness.write_reports(record, "runs")

Errors are those of ``harness.errors``; a chip that fails and a board that is silent are no
errors but outcomes of the record.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.api import (
        Rack,
        RetryPolicy,
        RunRecord,
        Verdict,
        load_rack,
        load_shuttle,
        load_table,
        margins,
        outcomes,
        run,
        stored_run,
        write_reports,
    )

__all__ = [
    "Rack",
    "RetryPolicy",
    "RunRecord",
    "Verdict",
    "load_rack",
    "load_shuttle",
    "load_table",
    "margins",
    "outcomes",
    "run",
    "stored_run",
    "write_reports",
]


def __getattr__(name: str) -> Callable[..., object]:
    """Import the rooms when a name is first asked for: small tools need not load pandas."""
    if name not in __all__:
        message = f"module 'harness' has no attribute {name!r}"
        raise AttributeError(message)
    found: Callable[..., object] = getattr(import_module("harness.api"), name)
    return found


def __dir__() -> list[str]:
    return [*__all__, "api"]
