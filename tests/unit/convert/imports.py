"""A shuttle of one demo design in a folder of its own, and dumps imported into it."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import harness
from harness.convert import Recipe, Wanted

VECTORS = Path(__file__).parents[3] / "vectors"


def design_folder(name: str, folder: Path, *, netlist: bool = True) -> Path:
    """Copy a demo design; without its netlist if it should have none."""
    text = (VECTORS / "shuttle.toml").read_text(encoding="utf-8")
    start = text.index("designs = [")
    text = text[:start] + f'designs = ["{name}"]\n' + text[text.index("]", start) + 1 :]
    text = text[: text.index("[[waiver]]")] if "[[waiver]]" in text else text
    lines = [line for line in text.splitlines() if not line.startswith("pin_check")]
    (folder / "shuttle.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    shutil.copytree(VECTORS / name, folder / name)
    settings = folder / name / "design.toml"
    if not netlist:
        kept = [x for x in settings.read_text().splitlines(keepends=True) if "netlist" not in x]
        settings.write_text("".join(kept), encoding="utf-8")
    return folder / name


def imported(
    dump: Path,
    design: Path,
    wanted: Wanted | None = None,
    recipe: Recipe | None = None,
    shown: list[str] | None = None,
) -> harness.ImportedTable:
    """Import a dump as the table ``seen``; ``shown`` gets the lines of the map."""
    options = harness.ImportOptions("seen", True, wanted or Wanted(), recipe or Recipe())

    def confirm(lines: tuple[str, ...]) -> bool:
        (shown if shown is not None else []).extend(lines)
        return True

    done = harness.import_dump(dump, design, options, confirm, lambda *_: None)
    assert done is not None
    return done


class Cycle(NamedTuple):
    """One pulse: cells of the inputs, and what was tested just before it, by column."""

    inputs: dict[str, str]
    before: dict[str, str]


def rows_of(path: Path) -> Iterator[dict[str, str]]:
    """Yield the rows of a table, repeats one by one, by a reading that is not the tool's."""
    with path.open(newline="", encoding="utf-8") as file:
        lines = [line for line in file if not line.startswith("#")]
    for row in csv.DictReader(lines):
        for _ in range(int(row["repeat"] or 1)):
            yield row


def cycles_of(
    path: Path, inputs: tuple[str, ...], registered: tuple[str, ...], outputs: tuple[str, ...]
) -> Iterator[Cycle]:
    """Yield the pulses of a table, with what is known of the outputs just before each.

    A registered output is what it was tested for since the pulse before; another one is known if
    it was tested with the same inputs.
    """
    last: dict[str, str] = {}
    since: dict[str, str] = {}
    for row in rows_of(path):
        driven = {name: row.get(name, "1") for name in inputs}  # a reset that rests
        if row["clk"] in {"C", "K"}:
            stood = all(last.get(name, "1") == cell for name, cell in driven.items())
            before = {name: last.get(name, "") if stood else "" for name in outputs}
            yield Cycle(driven, before | {name: since.get(name, "") for name in registered})
            since = {}
        since |= {name: row[name] for name in registered if row[name]}
        last = row
