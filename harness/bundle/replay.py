"""Runs a bundle again, on a virtual chip or on a board, and compares.

One rule: nothing of a bundle but its tables, netlists, profile and invented faults is used, and
nothing it says decides where anything is read or written.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from harness.board import load_profile
from harness.bundle.compare import Comparison, compare
from harness.bundle.opened import Opened, lay_out, told_of
from harness.errors import BundleError, Finding, Location, StoreError
from harness.judge import RetryPolicy
from harness.rack import VIRTUAL_PORT, Observer, Rack, Slot, check_port, unobserved
from harness.runner import run_rack
from harness.store import ChipRecord, RunRecord, Store, Verdict
from reports import INPUTS, RUN, altered_inputs, parse_run_json, unpack

MOST_REPEATS = 10
"""A mismatch is repeated as often as it was then, but never more often than this."""


@dataclass(frozen=True)
class Target:
    """What to replay on: the virtual chip, or a board at a port.

    ``chip`` and ``board`` are serial numbers, those of the bundle if empty. ``profile`` is the
    board's own profile where it is not the bundle's.
    """

    port: str = VIRTUAL_PORT
    chip: str = ""
    board: str = ""
    profile: Path | None = None


@dataclass(frozen=True)
class Replay:
    """What was recorded, what came out now, and the two compared table by table."""

    then: RunRecord
    now: RunRecord
    comparisons: tuple[Comparison, ...]


def replay(path: Path, target: Target | None = None, observe: Observer = unobserved) -> Replay:
    """Run exactly what a bundle holds and compare with what it recorded.

    Nothing is stored. Raises BundleError, naming the file in the bundle, if it was altered or is
    unsafe, InputError if the inputs cannot be read or the port has a login in it, and what
    ``run_rack`` raises.
    """
    target = target if target is not None else Target()
    check_port(target.port)
    files = unpack(path)
    then = _recorded(path, files)
    inputs = {
        name.removeprefix(f"{INPUTS}/"): data
        for name, data in files.items()
        if name.startswith(f"{INPUTS}/")
    }
    with tempfile.TemporaryDirectory(prefix="harness-replay-") as temporary:
        folder = Path(temporary).resolve()
        with told_of(path, folder):
            opened = lay_out(inputs, folder / INPUTS, path)
        _check_tables(path, then, opened, altered_inputs(files, Location(path)))
        rack = _rack(opened, target, then)
        with told_of(path, folder), Store(folder / "replay.sqlite") as store:
            now = run_rack(rack, store, policy=_policy(then), observe=observe)
    return Replay(then, now, compare(_chip(then).outcomes, _chip(now).outcomes))


def _recorded(path: Path, files: Mapping[str, bytes]) -> RunRecord:
    altered_inputs(files, Location(path))  # refuses what is not a bundle
    try:
        run = parse_run_json(files.get(RUN, b""))
    except StoreError as error:
        advice = "ask whoever made the bundle for it again"
        place = Location(path / RUN)
        raise BundleError([Finding("not-a-bundle", place, str(error), advice)]) from error
    if len(run.chips) != 1 or not run.chips[0].outcomes:
        message = f"{RUN} is not about one chip"
        advice = "give a file that `harness bundle` made"
        raise BundleError([Finding("not-a-bundle", Location(path), message, advice)])
    return run


def _chip(run: RunRecord) -> ChipRecord:
    (chip,) = run.chips
    return chip


def _check_tables(path: Path, then: RunRecord, opened: Opened, altered: Mapping[str, str]) -> None:
    """Refuse tables that are not those whose outcomes were recorded."""
    wrong: list[Finding] = []
    for outcome in _chip(then).outcomes:
        design = opened.shuttle.designs_by_name.get(outcome.design)
        specs = {spec.name: spec for spec in design.tables} if design is not None else {}
        if outcome.table not in specs:
            message = f"table {outcome.design}/{outcome.table} of {RUN} is not in the bundle"
        else:
            file = specs[outcome.table].path
            name = file.relative_to(opened.shuttle.path.parent).as_posix()
            found = hashlib.sha256(file.read_bytes()).hexdigest()
            if altered.get(name, found) == outcome.table_sha256:
                continue
            message = f"{INPUTS}/{name} is not the table whose outcome was recorded"
        advice = "ask whoever made the bundle for it again"
        wrong.append(Finding("altered-bundle", Location(path), message, advice))
    if wrong:
        raise BundleError(wrong)


def _rack(opened: Opened, target: Target, then: RunRecord) -> Rack:
    chip = target.chip or _chip(then).chip_serial
    slot = Slot("A1", target.port, target.board, chip)
    if target.port == VIRTUAL_PORT:
        slot = replace(opened.slot, chip=chip, board=target.board or opened.slot.board)
    profile = opened.profile
    if target.profile is not None:
        profile = load_profile(target.profile, opened.shuttle)
    return Rack(f"replay of {then.run_id}", opened.shuttle, profile, (slot,))


def _policy(then: RunRecord) -> RetryPolicy:
    repeats = [len(o.attempts) - 1 for o in _chip(then).outcomes if o.verdict is not Verdict.PASS]
    usual = RetryPolicy.repeats_on_mismatch
    return RetryPolicy(min(MOST_REPEATS, max([usual, *repeats])))
