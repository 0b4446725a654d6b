"""Record a Python testbench: what happens at a design's pins becomes a table, as from a dump.

One rule: the recorder only writes a dump while the simulation runs; how it is sampled is for the
importer of dumps alone, so that one set of rules says what a table may test.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vcd import VCDWriter

from harness.jobs.find import open_design
from harness.jobs.import_dump import ImportedTable, ImportOptions, import_dump

SCOPE = "bench"


@dataclass
class Recording:
    """A table that is being recorded; ``table`` is there when the recording has ended."""

    table: ImportedTable | None = None


@contextmanager
def record_cocotb(
    top: Any, design: str | Path, table: str, *, replace: bool = False
) -> Iterator[Recording]:
    """Record a cocotb test, from now to the end of the context, as a table of a design.

    ``top`` is cocotb's handle of the module with the design's ports. Raises InputError as
    ``harness.import_dump`` does, and AttributeError for a port that ``top`` does not have.
    """
    import cocotb  # noqa: PLC0415 - there in a simulator only
    from cocotb.utils import get_sim_time  # noqa: PLC0415

    ports = [(s.name, getattr(top, s.name), s.width) for s in open_design(design)[1].signals]
    with (
        _imported(design, table, replace=replace) as (path, recording),
        path.open("w", encoding="ascii") as file,
    ):
        writer = VCDWriter(file, timescale="1 ps", date="")  # only the order of times counts
        begun = get_sim_time("step")

        async def follow(handle: Any, variable: Any) -> None:
            while True:
                writer.change(variable, get_sim_time("step") - begun, str(handle.value))
                await handle.value_change

        tasks = [
            cocotb.start_soon(follow(handle, writer.register_var(SCOPE, name, "wire", width)))
            for name, handle, width in ports
        ]
        try:
            yield recording
        finally:
            for task in tasks:
                task.cancel()
            writer.close(get_sim_time("step") - begun + 1)


@contextmanager
def record_amaranth(
    simulator: Any, design: str | Path, table: str, *, replace: bool = False
) -> Iterator[Recording]:
    """Record a run of amaranth's simulator (``with …: simulator.run()``) as a table of a design.

    Its top module has the design's ports. Raises InputError as ``harness.import_dump`` does.
    """
    with (
        _imported(design, table, replace=replace) as (path, recording),
        simulator.write_vcd(str(path)),
    ):
        yield recording


@contextmanager
def _imported(design: str | Path, table: str, *, replace: bool) -> Iterator[tuple[Path, Recording]]:
    """Yield where a dump is to be written, and make the table from it; not after an exception."""
    recording = Recording()
    with tempfile.TemporaryDirectory(prefix="harness-recording-") as folder:
        path = Path(folder) / f"{table}.vcd"
        yield path, recording
        options = ImportOptions(table=table, replace=replace)
        recording.table = import_dump(path, design, options, lambda _: True, lambda *_: None)
