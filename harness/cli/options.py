"""Help texts and conversions that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness

STORE_HELP = "The store of results: a file, or a SQLAlchemy URL."
RESUME_HELP = "Finish a run that was killed or stopped, or `latest`; nothing is measured twice."
SHUTTLE_HELP = "Shuttle file, or its folder."
TABLE_HELP = "DESIGN/TABLE, or a table's file."
TABLES_HELP = "Only these: DESIGN or DESIGN/TABLE, or patterns such as crc*."
OUT_HELP = "Folder for reports; each run gets its own folder inside."

MarkdownOption = Annotated[
    Path | None,
    typer.Option(
        help="Add a short summary in Markdown to the end of this file, for a CI job's summary page."
    ),
]

DesignsOption = Annotated[
    str, typer.Option(help="Only these designs or tables, such as alu181,crc*,uart/hand.")
]

ProcessesOption = Annotated[
    int, typer.Option(min=0, help="Maximum number of processes; 0: one for each processor core.")
]
SchedulerOption = Annotated[
    str,
    typer.Option(
        help="Address of a Dask scheduler whose workers do the work, such as tcp://host:8786. "
        "Trust it like a shell."
    ),
]


def workers(processes: int, scheduler: str) -> harness.Workers:
    """Return who does the work, as requested."""
    return harness.Workers(processes or harness.usable_cores(), scheduler)


def name_patterns(text: str) -> tuple[str, ...]:
    """Split ``alu181,crc*`` into its patterns."""
    return tuple(part.strip() for part in text.split(",") if part.strip())
