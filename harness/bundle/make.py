"""Makes the bundle of one chip of a stored run.

One rule: a bundle that could not be replayed is not made: its inputs are read back, and tables
from which secrets were taken out must mean what they meant before.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from harness.bundle.archive import MAX_FILE_BYTES, pack
from harness.bundle.contents import TICKET, BundleInputs, bundle_files, one_chip
from harness.bundle.find import Places
from harness.bundle.gather import Sources, find_sources, scrubber_of_this_computer, without_secrets
from harness.bundle.listing import SHUTTLE, read_values
from harness.bundle.opened import findings_at, lay_out
from harness.bundle.words import FORMATS, words_of, words_of_settings
from harness.door import MAX_SETTINGS_BYTES, read_file, whole_path
from harness.errors import BundleError, Finding, InputError, Location
from harness.records import ChipRecord, RunRecord
from harness.shuttle import Shuttle, load_shuttle, nearest
from harness.table import PLANES, Pattern, load_table
from harness_reports import Scrubber


@dataclass(frozen=True)
class MadeBundle:
    """A bundle's bytes, the Markdown text to paste, and which inputs lost secrets."""

    data: bytes
    ticket: str
    altered: tuple[str, ...]

    @property
    def sha256(self) -> str:
        """SHA-256 of the bundle, in hex."""
        return hashlib.sha256(self.data).hexdigest()


def make_bundle(
    run: RunRecord, serial: str, design: str = "", places: Places | None = None
) -> MadeBundle:
    """Put a chip's report, evidence and inputs into one zip; the same run gives the same bytes.

    ``design`` leaves out all other designs. Files that are not named are searched for.
    Raises BundleError if the chip or design is not in the run, if a file has changed since, or
    if the bundle would be too large.
    """
    part = _part(run, serial, design)
    (chip,) = part.chips
    sources = find_sources(part, chip, places if places is not None else Places())
    shuttle = load_shuttle(sources.files[SHUTTLE])
    scrubber = scrubber_of_this_computer(shuttle.path, _words(shuttle, chip, sources))
    inputs = without_secrets(sources, scrubber)
    files = bundle_files(scrubber.record(part), inputs)
    data = pack(files, Path(f"the bundle of {serial}"))
    _check_meaning(_Cleaned(inputs, sources, scrubber), shuttle, chip)
    return MadeBundle(data, files[TICKET].decode("utf-8"), tuple(sorted(inputs.altered)))


def _part(run: RunRecord, serial: str, design: str) -> RunRecord:
    """Narrow a run to what a bundle is about. Raises BundleError if there is nothing of it."""
    chips = {chip.chip_serial: chip for chip in run.chips}
    if serial not in chips:
        message = f'run {run.run_id} has no chip "{serial}"'
        raise BundleError.of("unknown-chip", Path("--chip"), message, nearest(serial, chips))
    part = one_chip(run, chips[serial], design)
    if part.chips[0].outcomes:
        return part
    known = {outcome.design for outcome in chips[serial].outcomes}
    what = f'design "{design}"' if design else "any table"
    message = f"run {run.run_id} has no outcome of {what} on chip {serial}"
    advice = nearest(design, known) if known else "bundle another chip, or run this one again"
    raise BundleError.of("unknown-design", Path("--design"), message, advice)


def _words(shuttle: Shuttle, chip: ChipRecord, sources: Sources) -> set[str]:
    """Collect the names without which the inputs would be others."""
    words = {pin.name for pin in shuttle.pins} | {chip.chip_serial, chip.board_serial, chip.slot}
    words |= FORMATS | words_of(shuttle.name) | words_of(shuttle.organisation)
    for path in (p for name, p in sources.files.items() if name.endswith(".toml")):
        words |= set(words_of_settings(read_values(read_file(path, MAX_SETTINGS_BYTES), path)))
    for design in shuttle.designs:
        words |= {design.name, design.top, design.folder.name, *design.signals_by_name}
        words |= {spec.name for spec in design.tables} | {s.path.stem for s in design.tables}
        words |= {path.stem for path in design.verilog}
    return words


@dataclass(frozen=True)
class _Cleaned:
    """Inputs without secrets, where they came from, and what took the secrets out."""

    inputs: BundleInputs
    sources: Sources
    scrubber: Scrubber

    def names_in(self, name: str) -> tuple[str, ...]:
        """Names of this account and computer in one of the files as it was."""
        data = read_file(self.sources.files[name], MAX_FILE_BYTES)
        return self.scrubber.names_in(data.decode("utf-8", "replace"))


def _check_meaning(cleaned: _Cleaned, shuttle: Shuttle, chip: ChipRecord) -> None:
    """Read the inputs back as a replay will; what lost secrets must mean the same."""
    place = Path("the bundle")
    with tempfile.TemporaryDirectory() as temporary:
        folder = whole_path(Path(temporary))
        try:
            with findings_at(place, folder):
                opened = lay_out(cleaned.inputs.files, folder, place)
                now = _patterns(opened.shuttle, chip)
        except InputError as error:
            raise _spoiled(cleaned, str(error.findings[0].message)) from error
    before = _patterns(shuttle, chip)
    for key, pattern in before.items():
        if not _equal(pattern, now[key]):
            raise _spoiled(cleaned, f"table {'/'.join(key)} would differ")


def _patterns(shuttle: Shuttle, chip: ChipRecord) -> Mapping[tuple[str, str], Pattern]:
    patterns: dict[tuple[str, str], Pattern] = {}
    for outcome in chip.outcomes:
        design = shuttle.designs_by_name[outcome.design]
        spec = next(spec for spec in design.tables if spec.name == outcome.table)
        patterns[outcome.design, outcome.table] = load_table(spec, design, shuttle)
    return patterns


def _equal(one: Pattern, two: Pattern) -> bool:
    arrays = (*PLANES, "repeat", "until")
    return all(np.array_equal(getattr(one, name), getattr(two, name)) for name in arrays)


def _spoiled(cleaned: _Cleaned, why: str) -> BundleError:
    names = sorted(cleaned.inputs.altered)
    if names:
        return BundleError(_in_the_way(cleaned, name, why) for name in names)
    message = f"cannot be bundled: reading it back gives: {why}"
    place = cleaned.sources.files[SHUTTLE]
    return BundleError.of("secret-in-the-way", place, message, "run `harness check` on it")


def _in_the_way(cleaned: _Cleaned, name: str, why: str) -> Finding:
    """Tell which file lost something it needs, and whether that was the name of the account."""
    place = Location(cleaned.sources.files[name])
    mine = ", ".join(f'"{own}"' for own in cleaned.names_in(name))
    if mine:
        message = f"cannot be bundled: without this account's or computer's name {mine}, {why}"
        advice = "bundle from an account and a computer with other names"
    else:
        message = f"cannot be bundled: without the secrets in it, {why}"
        advice = (
            "take user names, host paths and passwords out of the file, run again, bundle that run"
        )
    return Finding("secret-in-the-way", place, message, advice)
