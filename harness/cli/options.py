"""Help texts and small conversions that several commands share."""

from __future__ import annotations

from typing import Annotated

import typer

STORE_HELP = "Where results are kept: a file, or a SQLAlchemy URL."
RESUME_HELP = "A run that was killed or stopped, or `latest`: finish it, measuring nothing twice."
OUT_HELP = "Folder for the reports; each run gets a folder of its own in it."

DesignsOption = Annotated[
    str, typer.Option(help="Only these designs: names or patterns, as in alu181,crc*.")
]


def name_patterns(text: str) -> tuple[str, ...]:
    """Split ``alu181,crc*`` into its patterns."""
    return tuple(part.strip() for part in text.split(",") if part.strip())
