"""Attacks by a bundle that is run: what gets through is replayed on the virtual chip.

One rule: a verdict is held against a plain reading of the table and of what the chip does.
"""

from __future__ import annotations

import functools
import importlib
import multiprocessing
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from random import Random
from unittest import mock

from harness.bundle import unpack
from harness.bundle.opened import lay_out
from harness.errors import HarnessError
from harness.jobs.replay import Replay, ReplayTarget, replay
from harness.rack import reaching
from harness.records import Verdict
from harness.shuttle import Direction, Shuttle
from harness.virtual import VirtualRack
from tests.attack.attack import REFUSED, SAME, Attack, Wrong
from tests.attack.bundles import LIKELY, Bundles, forged, honest_bundle
from tests.attack.damage import TEXT
from tests.attack.plain_table import Plain, read_plainly, rows_of_text
from tests.attack.zips import inside, unzipped
from tests.racks import forked
from tests.unit.bundle.test_strangers import FILES

TABLE = "inputs/bcd7seg/function.csv"
_QUIET = {"run.json", "bundle.json", "inputs/bcd7seg/bcd7seg.v"}
"""What a verdict does not depend on."""
_FEW = ReplayTarget(max_cycles=2_000)


@dataclass(frozen=True)
class Replays(Bundles):
    """Forged bundles with one table; ``truth`` is the chip's outputs by its inputs."""

    shuttle: Shuttle
    truth: Mapping[int, int]

    def make(self, random: Random) -> bytes:
        return forged(inside(unzipped(self.sound), random, (*[TABLE] * len(LIKELY), *LIKELY), TEXT))

    def replayed(self, path: Path) -> str:
        try:
            found = replay(path, _FEW)
        except HarnessError:
            return REFUSED
        files, sound = unpack(path), unpack(self._whole())
        altered = {name for name in files | sound if files.get(name) != sound.get(name)}
        told = self._told(found)
        if altered <= _QUIET:
            wanted = {Verdict.PASS}
        elif altered <= {*_QUIET, TABLE}:
            wanted = {self._verdict(_plain(files[TABLE], self.shuttle))}
        else:
            return f"{told}, who knows"
        if told not in wanted:
            raise Wrong(f"{told} where {wanted} is true")
        return f"{told}, true" if altered else f"{told}, {SAME}"

    def _told(self, found: Replay) -> Verdict:
        ((outcome,),) = [chip.outcomes for chip in found.now.chips]
        if "harness itself failed" in outcome.summary:
            raise Wrong(f"a fault of our own: {outcome.summary}")
        return outcome.verdict

    def _verdict(self, plain: Plain) -> Verdict:
        """What is true of an altered table on a chip whose outputs depend on its inputs alone."""
        inputs = _inputs(self.shuttle)
        for row in plain.rows:
            if row.highz or (self.truth[row.drive & inputs] ^ row.expect) & row.care:
                return Verdict.FAIL
        return Verdict.PASS


def _inputs(shuttle: Shuttle) -> int:
    signals = shuttle.designs[0].signals
    return sum(signal.mask for signal in signals if signal.direction is Direction.INPUT)


def _plain(table: bytes, shuttle: Shuttle) -> Plain:
    return read_plainly(tuple(rows_of_text(table, ",")), shuttle.designs[0], shuttle)


def make_replays(folder: Path) -> Replays:
    """Bundles of one table, which has a row for every input of its chip."""
    shuttle = lay_out(FILES, folder / "laid", folder / "b.zip").shuttle
    rows = _plain(FILES["bcd7seg/function.csv"], shuttle).rows
    truth = {row.drive & _inputs(shuttle): row.expect for row in rows}
    assert len(truth) == 1 << _inputs(shuttle).bit_count()
    found = Replays(folder, honest_bundle(), shuttle, truth)
    found._whole()
    assert found.judge(found.sound) == f"{Verdict.PASS}, {SAME}"
    return found


def replays(folder: Path) -> Attack:
    """Forged bundles, run on virtual racks that are forks, from now on in this whole process."""
    importlib.import_module("tests.warm")
    launch = functools.partial(forked, multiprocessing.get_context("fork"))
    mock.patch.object(
        reaching, "VirtualRack", functools.partial(VirtualRack, launch=launch)
    ).start()
    return make_replays(folder)
