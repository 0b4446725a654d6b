"""Texts that ``harness new`` wrote for an author to replace, and that are still there."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from harness.convert import PLACEHOLDERS
from harness.errors import Finding, Findings, Severity
from harness.shuttle import read_toml


def unedited(path: Path) -> Iterator[Finding]:
    """Warn about each setting of a file that is still as ``harness new`` wrote it."""
    file = read_toml(path, Findings())
    if file is None:
        return
    for key, value in file.values.items():
        if value in PLACEHOLDERS:
            message = f'{key} is still "{value}", as `harness new` wrote it'
            place, advice = file.location(key), "write your own"
            yield Finding("not-edited", place, message, advice, Severity.WARNING)
