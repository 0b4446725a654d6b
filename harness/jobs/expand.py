"""Make a table from a transaction list of a serial interface."""

from __future__ import annotations

from pathlib import Path

from harness.convert import expand, read_transactions
from harness.errors import ConfigError, Findings
from harness.jobs.find import open_design
from harness.jobs.made import write_made
from harness.jobs.rehearse import RehearsedTable

SUFFIX = ".toml"


def expand_transactions(
    transactions: str | Path, table: str = "", *, replace: bool = False
) -> RehearsedTable:
    """Write the table of a transaction list beside it, and rehearse it on the design's netlist.

    The list is ``NAME.toml`` in a design's folder (the suffix may be left out), and the table has
    its name unless ``table`` gives another. An existing table is replaced only if it was made from
    this list, or with ``replace``. Raises InputError with every finding if the list or the table
    cannot be used.
    """
    path = Path(transactions)
    path = path if path.suffix == SUFFIX else path.parent / f"{path.name}{SUFFIX}"
    shuttle, design = open_design(path.parent)
    findings = Findings()
    steps = read_transactions(path, design, findings)
    if steps is None:
        raise ConfigError(findings.in_order)
    draft = expand(steps, design)
    return write_made(
        design, shuttle, table or path.stem, draft, {"file": path.name}, replace=replace
    )
