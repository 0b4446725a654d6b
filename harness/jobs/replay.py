"""Run a bundle again, on a virtual chip or on a board, and compare.

One rule: only a bundle's tables, netlists, profile and invented faults are used, and nothing in it
decides where anything is read or written.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from harness.board import load_profile
from harness.bundle import (
    INPUTS,
    MAX_FILE_BYTES,
    RUN,
    Comparison,
    Opened,
    altered_inputs,
    compare,
    findings_at,
    lay_out,
    unpack,
)
from harness.door import file_sum, whole_path
from harness.errors import BundleError, ConfigError, Finding, InputError, Location, StoreError
from harness.jobs.run import new_run, run_from
from harness.jobs.tables import load_jobs, with_recorded
from harness.judge import RetryPolicy
from harness.rack import (
    VIRTUAL_PORT,
    Observer,
    Rack,
    Slot,
    as_news,
    check_port,
    unobserved,
)
from harness.records import UNKNOWN_CHIP, RunRecord, Verdict
from harness.shuttle import Shuttle
from harness.store import Store
from harness.table import load_table
from harness_reports import parse_run_json

MAX_REPEATS = 10
"""Maximum number of repeats after a mismatch, however many the recorded run made."""

MAX_CYCLES = 50_000_000
"""Maximum number of cycles of a replay in all, unless more are asked for."""

_SERIAL = re.compile(r"[A-Za-z0-9._-]{1,64}")


@dataclass(frozen=True)
class ReplayTarget:
    """What to replay on: the virtual chip, or a board at a port.

    ``chip`` is the serial number that a person read off the chip. Without it the virtual chip
    has the bundle's, and a chip at a port :data:`UNKNOWN_CHIP`, because nothing says that it is the
    bundle's. ``board`` is the serial number that the board must have; if it is empty, any board
    at the port will do, and the virtual board has the bundle's. ``profile`` is the board's own
    profile if it differs from the bundle's. ``max_cycles`` of None means no limit.
    """

    port: str = VIRTUAL_PORT
    chip: str = ""
    board: str = ""
    profile: Path | None = None
    max_cycles: int | None = MAX_CYCLES


@dataclass(frozen=True)
class Replay:
    """The recorded run, the run now, and the two compared table by table.

    ``altered`` names the inputs from which, as the bundle says, secrets were removed: whether they
    are otherwise what was run cannot be checked.
    """

    then: RunRecord
    now: RunRecord
    comparisons: tuple[Comparison, ...]
    altered: tuple[str, ...] = ()


def replay(
    path: str | Path, target: ReplayTarget | None = None, observe: Observer = unobserved
) -> Replay:
    """Run exactly what a bundle holds and compare with what it recorded.

    Nothing is stored. Raises BundleError, naming the file in the bundle, if it was altered, is
    unsafe or needs too many cycles; InputError if the inputs cannot be read, the port contains a
    login or the chip's serial number is malformed; and what ``harness.run`` raises.
    """
    path, target = Path(path), target if target is not None else ReplayTarget()
    check_port(target.port)
    _check_serial(target.chip)
    files = unpack(path)
    then = _recorded(path, files)
    inputs = {
        name.removeprefix(f"{INPUTS}/"): data
        for name, data in files.items()
        if name.startswith(f"{INPUTS}/")
    }
    with tempfile.TemporaryDirectory(prefix="harness-replay-") as temporary:
        folder = whole_path(Path(temporary))
        with findings_at(path, folder):
            opened = lay_out(inputs, folder / INPUTS, path)
        altered = altered_inputs(files, path)
        _check_tables(path, then, opened, altered)
        rack = _rack(opened, target, then)
        with findings_at(path, folder), Store(folder / "replay.sqlite") as store:
            _check_cycles(path, opened.shuttle, target.max_cycles)
            wanted = with_recorded(rack.shuttle, then.outcomes)
            jobs = load_jobs(rack, wanted, as_news(observe))
            now = run_from(new_run(rack), rack, store, jobs, _policy(then), observe)
    compared = compare(then.outcomes, now.outcomes)
    lost = sorted(f"{INPUTS}/{name}" for name in altered.keys() & inputs.keys())
    return Replay(then, now, compared, tuple(lost))


def _check_serial(chip: str) -> None:
    """Refuse a malformed serial number; the bundle's own pattern is not trusted."""
    if chip and not _SERIAL.fullmatch(chip):
        message = f"{chip[:80]!r} is not the serial number of a chip"
        advice = "give 1 to 64 letters, digits, dots, hyphens and underscores, as on the chip"
        raise ConfigError.of("chip-serial", Path("--chip"), message, advice)


def _check_cycles(path: Path, shuttle: Shuttle, limit: int | None) -> None:
    """Refuse tables that would run silently for ages, before they are rehearsed.

    ``until`` counts with its limit; what cannot be read is for the reader of all tables to say.
    """
    cycles = 0
    for design in shuttle.designs:
        for spec in design.tables:
            with suppress(InputError):
                pattern = load_table(spec, design, shuttle)
                cycles += int(pattern.repeat.sum(dtype="int64"))
    if limit is not None and cycles > limit:
        message = f"its tables take {cycles:,} cycles in all; a replay runs at most {limit:,}"
        advice = "give --long to run them anyway"
        raise BundleError.of("long-replay", path, message, advice)


def _recorded(path: Path, files: Mapping[str, bytes]) -> RunRecord:
    altered_inputs(files, path)  # refuses what is not a bundle
    try:
        run = parse_run_json(files.get(RUN, b""))
    except StoreError as error:
        advice = "ask the bundle's maker for a new copy"
        raise BundleError.of("not-a-bundle", path / RUN, str(error), advice) from error
    if len(run.chips) != 1 or not run.chips[0].outcomes:
        message = f"{RUN} is not about one chip"
        advice = "give a file that `harness bundle` made"
        raise BundleError.of("not-a-bundle", path, message, advice)
    return run


def _check_tables(path: Path, then: RunRecord, opened: Opened, altered: Mapping[str, str]) -> None:
    """Refuse tables other than those whose outcomes were recorded."""
    wrong: list[Finding] = []
    for outcome in then.outcomes:
        design = opened.shuttle.designs_by_name.get(outcome.design)
        specs = {spec.name: spec for spec in design.tables} if design is not None else {}
        if outcome.table not in specs:
            message = f"table {outcome.design}/{outcome.table} of {RUN} is not in the bundle"
        else:
            file = specs[outcome.table].path
            name = file.relative_to(opened.shuttle.path.parent).as_posix()
            sha256 = file_sum(file, MAX_FILE_BYTES)
            if altered.get(name, sha256) == outcome.table_sha256:
                continue
            message = f"{INPUTS}/{name} is not the table whose outcome was recorded"
        advice = "ask the bundle's maker for a new copy"
        wrong.append(Finding("altered-bundle", Location(path), message, advice))
    if wrong:
        raise BundleError(wrong)


def _rack(opened: Opened, target: ReplayTarget, then: RunRecord) -> Rack:
    slot = Slot("A1", target.port, target.board, target.chip or UNKNOWN_CHIP)
    if target.port == VIRTUAL_PORT:
        chip = target.chip or then.chips[0].chip_serial
        slot = replace(opened.slot, chip=chip, board=target.board or opened.slot.board)
    profile = opened.profile
    if target.profile is not None:
        profile = load_profile(target.profile, opened.shuttle)
    return Rack(f"replay of {then.run_id}", opened.shuttle, profile, (slot,))


def _policy(then: RunRecord) -> RetryPolicy:
    repeats = [len(o.attempts) - 1 for o in then.outcomes if o.verdict is not Verdict.PASS]
    usual = RetryPolicy.repeats_on_mismatch
    return RetryPolicy(min(MAX_REPEATS, max([usual, *repeats])))
