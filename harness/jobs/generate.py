"""Make a table from the reference model of a design: the only job that runs a model's code."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.convert import FILE, Coverage, Stimulus, generate, load_model
from harness.errors import ConfigError
from harness.jobs.find import open_design
from harness.jobs.made import write_made
from harness.jobs.rehearse import RehearsedTable

CYCLES = 1000
"""Default number of rows of a table."""
MAX_CYCLES = 1_000_000


@dataclass(frozen=True)
class GeneratedTable(RehearsedTable):
    """A table made from a model, and the states that it reaches."""

    coverage: Coverage


def generate_table(
    folder: str | Path,
    kind: Stimulus = Stimulus.RANDOM,
    seed: int = 0,
    cycles: int = CYCLES,
    table: str = "",
    *,
    replace: bool = False,
) -> GeneratedTable:
    """Run ``model.py`` of a design's folder, write the table of what it expects, and rehearse it.

    This runs the model's code in this process, with its author's rights. ``cycles`` is the maximum
    number of rows; the table is called as its kind unless ``table`` names it. The same seed gives
    the same bytes. An existing table is replaced only if it was made from a model, or with
    ``replace``. Raises InputError, with the line of the model if the model is at fault.
    """
    shuttle, design = open_design(folder)
    if not 1 <= cycles <= MAX_CYCLES or not 0 <= seed < 1 << 32:
        message = f"{cycles:,} cycles with seed {seed} cannot be generated"
        advice = f"give 1 to {MAX_CYCLES:,} cycles and a seed from 0 to {(1 << 32) - 1}"
        raise ConfigError.of("bad-generation", design.folder, message, advice)
    draft, coverage = generate(load_model(design), design, shuttle, kind, seed, cycles)
    origin = {"file": FILE, "seed": seed, "kind": kind.value, "cycles": cycles}
    made = write_made(design, shuttle, table or kind.value, draft, origin, replace=replace)
    return GeneratedTable(**vars(made), coverage=coverage)
