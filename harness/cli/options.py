"""Defaults and small conversions that several commands share."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console

RUNS = Path("runs")
"""Where runs are kept unless told otherwise, below the folder that the command is started in."""

STORE = str(RUNS / "harness.sqlite")
"""The store unless told otherwise: a file, or any SQLAlchemy URL."""

STORE_HELP = "Where results are kept: a file, or a SQLAlchemy URL."
RESUME_HELP = "A run that was killed or stopped: finish it, measuring nothing twice."
OUT_HELP = "Folder for the reports; each run gets a folder of its own in it."


def console() -> Console:
    """Where results are printed."""
    return Console(highlight=False)


def name_patterns(text: str) -> tuple[str, ...]:
    """Split ``alu181,crc*`` into its patterns."""
    return tuple(part.strip() for part in text.split(",") if part.strip())
