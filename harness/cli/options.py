"""Defaults and small conversions that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.records import RunKind, RunRecord
from harness.store import Store

RUNS = Path("runs")
"""Where runs are kept unless told otherwise, below the folder that the command is started in."""

STORE = str(RUNS / "harness.sqlite")
"""The store unless told otherwise: a file, or any SQLAlchemy URL."""

STORE_HELP = "Where results are kept: a file, or a SQLAlchemy URL."
RESUME_HELP = "A run that was killed or stopped, or `latest`: finish it, measuring nothing twice."
OUT_HELP = "Folder for the reports; each run gets a folder of its own in it."

DesignsOption = Annotated[
    str, typer.Option(help="Only these designs: names or patterns, as in alu181,crc*.")
]

LATEST = "latest"
"""The word that stands for the run that was started last; an intake where one is of use."""


def named_run(store: Store, name: str, latest: RunKind | None = None) -> RunRecord:
    """Read the run that a person named, by its id or as the latest. Raises StoreError.

    ``latest`` is the kind of run that is meant by that; None takes an intake too.
    """
    return store.latest_run(latest) if name == LATEST else store.run(name)


def run_to_resume(store: Store, name: str) -> str:
    """Return the id of the run that is to go on; empty for a new run. Raises StoreError."""
    return named_run(store, name, RunKind.RUN).run_id if name else ""


def name_patterns(text: str) -> tuple[str, ...]:
    """Split ``alu181,crc*`` into its patterns."""
    return tuple(part.strip() for part in text.split(",") if part.strip())
