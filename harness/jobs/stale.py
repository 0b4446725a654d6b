"""Tables whose origin has changed since they were made from it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

from harness.door import MAX_RECORD_BYTES, file_sum
from harness.errors import FileUnusable, Finding, Location, Severity
from harness.shuttle import Design, MadeFrom, TableSpec


def stale_tables(design: Design) -> Iterator[Finding]:
    """Warn about each table whose model, list or dump is not the file that it was made from.

    A file that is no longer there is not compared.
    """
    for spec in design.tables:
        origin = spec.made_from
        if origin is None:
            continue
        with suppress(FileUnusable):
            if file_sum(design.folder / origin.file, MAX_RECORD_BYTES) != origin.sha256:
                message = f"{origin.file} has changed since this table was made from it"
                advice = f"make it again: {_command(design, spec, origin)}"
                place = Location(spec.path)
                yield Finding("stale-table", place, message, advice, Severity.WARNING)


def _command(design: Design, spec: TableSpec, origin: MadeFrom) -> str:
    if origin.file.endswith(".py"):
        choices = f"--table {spec.name} --kind {origin.kind} --cycles {origin.cycles}"
        return f"harness generate {design.folder} {choices} --seed {origin.seed or 0}"
    if origin.file.endswith(".toml"):
        stem = origin.file.removesuffix(".toml")
        other = "" if spec.name == stem else f" --table {spec.name}"
        return f"harness expand {design.folder / stem}{other}"
    return f"harness import {design.folder / origin.file} --design {design.folder} --replace"
