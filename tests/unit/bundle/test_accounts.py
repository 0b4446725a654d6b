"""Who makes a bundle: accounts without a name, and accounts called like a word of a file."""

from __future__ import annotations

import getpass
import shutil
import socket
from dataclasses import dataclass
from pathlib import Path

import pytest

import harness
from harness.bundle import Places, make_bundle, unpack
from harness.bundle.gather import scrubber_of_this_computer
from harness.errors import BundleError
from harness.records import RunRecord
from tests.system.virtual import ROOT
from tests.unit.shuttle.bench import PINS

pytestmark = pytest.mark.slow

SHUTTLE = f"""\
name = "Sandpiper 2"
organisation = "Low Tide Silicon Club"
chip_serial = "SP2-[0-9]{{4}}"
designs = ["crc16"]
{PINS}"""
RACK = """\
name = "bench"
shuttle = "shuttle.toml"
profile = "wader.toml"
[[slot]]
name = "A1"
port = "virtual"
board = "WB-01"
chip = "SP2-0001"
"""


def unknown() -> str:
    """What asking for a name comes to where the account has no entry."""
    raise KeyError("getpwuid(): uid not found: 4711")


def homeless(_: type[Path]) -> Path:
    """Looking up the home folder fails: there is none."""
    raise RuntimeError("Could not determine home directory.")


def test_an_account_without_an_entry_has_no_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(getpass, "getuser", unknown)
    monkeypatch.setattr(Path, "home", classmethod(homeless))
    monkeypatch.setattr(socket, "gethostname", lambda: "tern-box.lab.example.org")
    scrubber = scrubber_of_this_computer(tmp_path / "shuttle.toml", ())
    assert scrubber.names == ("lab.example.org", "tern-box")
    assert scrubber.text("db.lab.example.org, tern-box") == "db.<user>, <user>"
    assert scrubber.text(f"in {tmp_path}/a.csv") == "in <path>/a.csv"


@dataclass(frozen=True)
class Lab:
    """A run of one design, and where it was made."""

    folder: Path
    record: RunRecord


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Lab:
    folder = tmp_path_factory.mktemp("lab")
    shutil.copytree(ROOT / "vectors/crc16", folder / "crc16")
    shutil.copy(ROOT / "ci/wader.toml", folder / "wader.toml")
    (folder / "shuttle.toml").write_text(SHUTTLE)
    (folder / "rack.toml").write_text(RACK)
    record = harness.run(harness.load_rack(folder / "rack.toml"), folder / "s.sqlite")
    return Lab(folder, record)


@pytest.mark.parametrize(
    "name",
    [
        "input", "bits", "cells", "clock_hz", "Sandpiper", "sandpiper", "Club", "tide", "wader",
        "generic", "shift", "module", "wire", "crc16", "virtual", "slot", "board",
    ],
)  # fmt: skip
def test_an_account_called_like_a_word_of_the_files_changes_none(
    lab: Lab, name: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(getpass, "getuser", lambda: name)
    made = make_bundle(lab.record, "SP2-0001", places=Places(below=lab.folder))
    assert made.altered == ()
    (tmp_path / "b.zip").write_bytes(made.data)
    files = unpack(tmp_path / "b.zip")
    assert b'"Sandpiper 2"' in files["inputs/shuttle.toml"]
    assert b"Low Tide Silicon Club" in files["inputs/shuttle.toml"]


def test_the_name_of_an_account_in_the_way_is_told(
    lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cell of a table is a word that no list of words can foresee."""
    monkeypatch.setattr(getpass, "getuser", lambda: "0x00")
    table = next(
        path for path in (lab.folder / "crc16").glob("*.csv") if "0x00" in path.read_text()
    )
    with pytest.raises(BundleError) as caught:
        make_bundle(lab.record, "SP2-0001", places=Places(below=lab.folder))
    told = {f.location.path.name: f.message for f in caught.value.findings}
    assert told[table.name].startswith(
        "cannot be bundled: without this account's or computer's name \"0x00\", "
    )
