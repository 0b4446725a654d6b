"""One night as a lab has it: two new failures, a fix, an expired waiver, an unplugged board."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from junitparser import JUnitXml

from harness.cli import ExitCode, main
from harness.store import Store
from tests.system.test_nightly import SHUTTLE

ROOT = Path(__file__).parents[2]

STUCK = '[[slot.defect]]\nkind = "net-stuck"\ndesign = "crc16"\nnet = "rem[9]"\nlevel = 0\n'
DEAD_SEGMENT = (
    '[[slot.defect]]\nkind = "net-stuck"\ndesign = "bcd7seg"\nnet = "seg[0]"\nlevel = 0\n'
)
UNPLUGGED = '[[slot.link_fault]]\nkind = "unplug"\nat_byte = 12000\n'
WAIVER = """
[[waiver]]
design = "bcd7seg"
table = "function"
chips = ["SP2-0003"]
owner = "Wilma Dunlin"
reason = "segment a is weak on this chip"
ticket = "LT-31"
expiry = {expiry}
"""


def write_lab(folder: Path, faults: dict[int, str], expiry: str) -> Path:
    """A shuttle of two designs with one waiver, and a rack of four slots with these faults."""
    vectors = folder / "vectors"
    vectors.mkdir(exist_ok=True)
    demo = (ROOT / "vectors/shuttle.toml").read_text()
    pins = demo[demo.index("[pins]") :].split("[[")[0]
    (vectors / "shuttle.toml").write_text(SHUTTLE + pins + WAIVER.format(expiry=expiry))
    for design in ("bcd7seg", "crc16"):
        if not (vectors / design).exists():
            shutil.copytree(ROOT / "vectors" / design, vectors / design)
    slots = "".join(
        f'[[slot]]\nname = "A{n}"\nport = "virtual"\nboard = "WB-0{n}"\nchip = "SP2-000{n}"\n'
        + faults.get(n, "")
        for n in range(1, 5)
    )
    path = folder / "rack.toml"
    path.write_text(
        f'name = "Four"\nshuttle = "vectors/shuttle.toml"\nprofile = "{ROOT}/ci/wader.toml"\n'
        + slots
    )
    return path


def test_the_five_lines_of_a_night_on_which_much_happened(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = ["--store", str(tmp_path / "s.sqlite"), "--out", str(tmp_path / "out")]
    before = write_lab(tmp_path, {2: STUCK, 3: DEAD_SEGMENT}, "2099-12-31")
    assert main(["nightly", str(before), *place]) == ExitCode.CHIP_FAILED
    with Store.existing(tmp_path / "s.sqlite") as store:
        accepted = store.latest_run().run_id
    assert main(["accept", "latest", "--store", str(tmp_path / "s.sqlite")]) == 0
    capsys.readouterr()

    night = write_lab(tmp_path, {1: STUCK, 3: DEAD_SEGMENT, 4: UNPLUGGED}, "2026-01-31")
    assert main(["nightly", str(night), *place]) == ExitCode.CHIP_FAILED
    lines = capsys.readouterr().out.splitlines()[1:6]
    assert lines[0].startswith(
        "newly failing            2  A1 (SP2-0001): this chip has a defect in crc16 (odds "
    )
    assert " Were the chips of A2 and A1 exchanged? A1 fails now as A2 did in run " in lines[0]
    assert lines[1:3] == [
        "newly fixed              2  SP2-0002 crc16/check, crc16/stream",
        "unstable                 0",
    ]
    assert lines[3].startswith(
        "could not be tested      4  A4 (SP2-0004): the board cannot be used: port "
    )
    assert lines[3].endswith("lists the ports of this computer (1 already known)")
    assert lines[4] == "unchanged                4  4 PASS"
    (folder,) = (
        path for path in (tmp_path / "out").glob("night-*") if accepted[9:] not in path.name
    )
    log = (folder / "night.log").read_text()
    assert "The waiver of Wilma Dunlin expired on 2026-01-31." in log
    junit = JUnitXml.fromfile(str(folder / "junit.xml"))
    assert (junit.failures, junit.errors) == (2, 1), "one error: the slot whose board is gone"
