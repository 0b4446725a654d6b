"""Tables, grades and netlists whose origin has changed since they were made from it."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path

from harness.door import MAX_RECORD_BYTES, file_sum, is_inside
from harness.errors import FileUnusable, Finding, Location, Severity, shuttle_words, some
from harness.grade import GRADE_FILE, kept_grade, older_than, table_keys
from harness.netlist import changed_sources
from harness.rack import Job
from harness.rehearse import Gates
from harness.shuttle import Design, MadeFrom, Shuttle, TableSpec
from harness.table import Pattern

MAX_SHOWN = 3
"""Maximum number of changed files that are named."""
MAX_NAME = 200
"""Maximum number of characters of such a name: a netlist may say anything."""


def stale_netlists(designs: Iterable[Design]) -> Iterator[Finding]:
    """Warn about each netlist that is older than its Verilog; not about one made elsewhere."""
    for design in designs:
        if design.netlist is None:
            continue
        if changed := changed_sources(design.netlist, design.verilog):
            names = some([name[:MAX_NAME] for name in changed], MAX_SHOWN)
            message = f"the Verilog has changed since this netlist was made from it: {names}"
            again = shlex.join(("harness", "netlist", str(Location(design.folder))))
            place, advice = Location(design.netlist), f"make it again: {again}"
            yield Finding("stale-netlist", place, message, advice, Severity.WARNING)


def warn_of_stale(jobs: Iterable[Job], tell: Callable[[str], None]) -> None:
    """Report each netlist that these tables use and that is older than its Verilog."""
    for finding in stale_netlists({job.design.name: job.design for job in jobs}.values()):
        tell(str(finding))


def stale_tables(design: Design) -> Iterator[Finding]:
    """Warn about each table whose model, list or dump is not the file that it was made from.

    A file that is no longer there is not compared.
    """
    for spec in design.tables:
        origin = spec.made_from
        if origin is None:
            continue
        file = design.folder / origin.file
        with suppress(FileUnusable):
            if is_inside(file, design.folder) and file_sum(file, MAX_RECORD_BYTES) != origin.sha256:
                message = f"{origin.file} has changed since this table was made from it"
                advice = f"make it again: {_command(design, spec, origin)}"
                place = Location(spec.path)
                yield Finding("stale-table", place, message, advice, Severity.WARNING)


def stale_grade(
    design: Design, shuttle: Shuttle, patterns: Mapping[str, Pattern]
) -> Iterator[Finding]:
    """Warn about a kept grade that is not of these tables and of the netlist as it is."""
    grade = kept_grade(design.folder)
    if grade is None:
        return
    keys = table_keys(design, shuttle, patterns)
    changed = older_than(grade, Gates(shuttle).key(design.name), keys)
    if changed:
        message = f"this grade is out of date: {' and '.join(changed)} changed since it was made"
        command = ("harness", "grade", design.name, *shuttle_words(design.folder.parent))
        advice = f"grade the tables again: {shlex.join(command)}"
        place = Location(design.folder / GRADE_FILE)
        yield Finding("stale-grade", place, message, advice, Severity.WARNING)


def _command(design: Design, spec: TableSpec, origin: MadeFrom) -> str:
    """Return a command for a shell: what a stranger wrote in design.toml is one word of it each."""
    if origin.file.endswith(".py"):
        choices = ("--table", spec.name, "--kind", origin.kind, "--cycles", str(origin.cycles))
        seed = ("--seed", str(origin.seed or 0))
        return shlex.join(("harness", "generate", str(design.folder), *choices, *seed))
    other = () if spec.name == Path(origin.file).stem else ("--table", spec.name)
    if origin.file.endswith(".toml"):
        stem = design.folder / origin.file.removesuffix(".toml")
        return shlex.join(("harness", "expand", str(stem), *other))
    whole = ("--design", str(design.folder), *other, "--replace")
    return shlex.join(("harness", "import", str(design.folder / origin.file), *whole))
