"""Attacks by a bundle: refused, or every file as it was; a rebuilt one gets no further.

What follows after the checks is run in ``replays.py``: here a replay is asked for no cycle at all,
so that a bundle which gets through ends in the refusal that says so.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

from harness.bundle import unpack
from harness.bundle.archive import MANIFEST, pack
from harness.bundle.contents import BundleInputs, bundle_files, one_chip
from harness.errors import HarnessError, InputError
from harness.jobs.replay import ReplayTarget, replay
from tests.attack.attack import DIFFERENT, REFUSED, SAME, Attack, Wrong
from tests.attack.damage import TEXT, damaged
from tests.attack.zips import ARCHIVE, inside, unzipped, zipped
from tests.unit.bundle.test_strangers import FILES
from tests.unit.reports.samples import passed
from tests.unit.store.samples import chip, heading

LIKELY = ("run.json", "bundle.json", *(f"inputs/{name}" for name in FILES))
_ONCE = ReplayTarget(max_cycles=-1)


def honest_bundle() -> bytes:
    """A small bundle of one table, as the tool makes it."""
    table = "bcd7seg/function.csv"
    outcome = passed(
        "bcd7seg",
        "function",
        table_file=table,
        table_sha256=hashlib.sha256(FILES[table]).hexdigest(),
    )
    one = replace(chip(), chip_serial="SP2-0001", outcomes=(outcome,))
    run = replace(heading(), finished=outcome.started)
    return pack(bundle_files(one_chip(run, one), BundleInputs(FILES, {})), Path("b.zip"))


def forged(files: Mapping[str, bytes]) -> bytes:
    """Pack with sums of tables, a manifest and a seal that fit: what a stranger who knows how does.

    The names of tables are those of the sound bundle.
    """
    run = files.get("run.json", b"")
    for name, sound in FILES.items():
        run = run.replace(_sum(sound), _sum(files.get(f"inputs/{name}", sound)))
    files = {**files, "run.json": run} if "run.json" in files else files
    lines = [f"{_sum(data).decode()}  {name}\n" for name, data in files.items() if name != MANIFEST]
    whole = {**files, MANIFEST: "".join(lines).encode("utf-8", "surrogatepass")}
    return _sealed(zipped(whole, bytes(64)))


def _sealed(data: bytes) -> bytes:
    """The same with a seal that fits in place of the last bytes."""
    return data[:-64] + _sum(data[:-64])


def _sum(data: bytes) -> bytes:
    return hashlib.sha256(data).hexdigest().encode()


@dataclass(frozen=True)
class Bundles:
    """Damaged and forged bundles: but for a tenth, each with a seal that fits."""

    folder: Path
    sound: bytes

    def make(self, random: Random) -> bytes:
        draw = random.random()
        if draw < 0.1:
            return damaged(self.sound, random, ARCHIVE)
        if draw < 0.35:
            return _sealed(damaged(self.sound, random, ARCHIVE))
        files = inside(unzipped(self.sound), random, (*LIKELY, MANIFEST), TEXT)
        packed = _sealed(zipped(files, bytes(64))) if draw < 0.5 else forged(files)
        return _sealed(damaged(packed, random, ARCHIVE)) if draw > 0.95 else packed

    def judge(self, case: bytes) -> str:
        path = self.folder / "b.zip"
        path.write_bytes(case)
        before = set(self.folder.parent.rglob("*"))
        told = self.replayed(path)
        if set(self.folder.parent.rglob("*")) != before:
            raise Wrong("a file appeared where none belongs")
        return told

    def replayed(self, path: Path) -> str:
        """Say what became of a bundle; raises Wrong."""
        try:
            replay(path, _ONCE)
        except InputError as error:
            if [found.rule for found in error.findings] != ["long-replay"]:
                return REFUSED
        except HarnessError:
            return REFUSED
        files = unpack(path)
        if files == unpack(self._whole()):
            return SAME
        if not self._fits(files):
            raise Wrong("an altered bundle is accepted though its manifest does not fit")
        return DIFFERENT

    def _whole(self) -> Path:
        path = self.folder / "whole.zip"
        if not path.exists():
            path.write_bytes(self.sound)
        return path

    def _fits(self, files: Mapping[str, bytes]) -> bool:
        """Whether the manifest inside says of every file what it is."""
        text = unzipped((self.folder / "b.zip").read_bytes())[MANIFEST].decode("utf-8")
        parts = (line.split("  ", 1) for line in text.splitlines())
        listed = {name: found for found, name in parts}
        return listed == {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}


def bundles(folder: Path) -> Attack:
    """Bundles."""
    found = Bundles(folder, honest_bundle())
    found._whole()
    found.judge(found.sound)
    return found
