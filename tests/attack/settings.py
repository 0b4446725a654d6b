"""Attacks on settings: `harness check` tells all that is wrong, or the values are the text's."""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from harness.board import load_profile
from harness.rack import load_rack
from harness.shuttle import load_shuttle
from tests.attack.attack import DIFFERENT, REFUSED, SAME, Attack, Wrong, command
from tests.attack.damage import TEXT, damaged
from tests.unit.shuttle.bench import write_files

ROOT = Path(__file__).resolve().parents[2]
RACK = (
    'name = "bench"\nshuttle = "shuttle.toml"\nprofile = "wader.toml"\n'
    '[[slot]]\nname = "A1"\nport = "virtual"\nboard = "WB-01"\nchip = "PL-01"\nsupply_ma = 38\n'
    '[[slot.defect]]\nkind = "output-stuck"\npin = "out1"\nlevel = 1\n'
    '[[slot]]\nname = "A2"\nport = "/dev/ttyACM0"\nchip = "PL-02"\n'
)
Read = Callable[["Settings"], Mapping[str, object]]
"""What the tool reads of the files, in the words of the text."""


@dataclass(frozen=True)
class Settings:
    """One kind of settings file among sound ones of the other kinds."""

    folder: Path
    name: str
    read: Read

    @property
    def path(self) -> Path:
        return self.folder / self.name

    def make(self, random: Random) -> bytes:
        return damaged((self.folder / f"{self.name}.sound").read_bytes(), random, TEXT)

    def judge(self, case: bytes) -> str:
        self.path.write_bytes(case)
        code, printed = command(["check", str(self.folder / "shuttle.toml"), str(self.path)])
        if code == 2 and " error [" in printed:
            return REFUSED
        if code != 0 or " error [" in printed:
            raise Wrong(f"exit code {code}: {printed[-300:]}")
        if not case.endswith(b"\n"):
            raise Wrong("the last line does not end")
        written = tomllib.loads(case.removeprefix(b"\xef\xbb\xbf").decode("utf-8"))
        for key, value in self.read(self).items():
            if _bare(_written(written, key)) != value:
                raise Wrong(f"{key} is read as {value!r}")
        return SAME if case == (self.folder / f"{self.name}.sound").read_bytes() else DIFFERENT


def _bare(value: object) -> object:
    """A text without the spaces around it, which do not count."""
    return value.strip() if isinstance(value, str) else value


def _written(values: Mapping[str, Any], key: str) -> object:
    """A value by its path: ``slot.name`` of a list is the list of all names."""
    found: Any = values
    for part in key.split("."):
        if isinstance(found, list):
            found = [item.get(part) for item in found]
        elif part == "*":
            found = list(found)
        else:
            found = found.get(part)
    return found


def _shuttle(settings: Settings) -> Mapping[str, object]:
    found = load_shuttle(settings.path)
    return {
        "name": found.name,
        "organisation": found.organisation,
        "chip_serial": found.chip_serial,
        "designs": [design.folder.name for design in found.designs],
    }


def _design(settings: Settings) -> Mapping[str, object]:
    (found,) = load_shuttle(settings.folder / "shuttle.toml").designs
    return {
        "name": found.name,
        "address": found.address,
        "source": found.source,
        "clock_hz": found.clock_hz,
        "signals.*": [signal.name for signal in found.signals],
        "tables.*": [spec.name for spec in found.tables],
    }


def _profile(settings: Settings) -> Mapping[str, object]:
    found = load_profile(settings.path, load_shuttle(settings.folder / "shuttle.toml"))
    return {"name": found.name, "controller": found.controller, "pins": dict(found.pins)}


def _rack(settings: Settings) -> Mapping[str, object]:
    found = load_rack(settings.path)
    return {
        "slot.name": [slot.name for slot in found.slots],
        "slot.port": [slot.port or None for slot in found.slots],
        "slot.chip": [slot.chip for slot in found.slots],
    }


_READERS: Mapping[str, Read] = {
    "shuttle.toml": _shuttle,
    "count/design.toml": _design,
    "wader.toml": _profile,
    "rack.toml": _rack,
}


def settings_of(name: str) -> Callable[[Path], Attack]:
    """The attack on the settings file of this name."""

    def prepared(folder: Path) -> Attack:
        write_files(folder)
        shutil.copy(ROOT / "ci/wader.toml", folder / "wader.toml")
        (folder / "rack.toml").write_text(RACK, "utf-8")
        shutil.copy(folder / name, folder / f"{name}.sound")
        found = Settings(folder, name, _READERS[name])
        assert found.judge(found.path.read_bytes()) == SAME
        return found

    return prepared
