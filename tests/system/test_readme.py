"""The week that README.md shows from Python, carried out as it stands there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import harness

ROOT = Path(__file__).parents[2]


@pytest.mark.slow
def test_the_week_of_the_readme_goes_as_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (block,) = re.findall(r"(?ms)^```python\n(.*?)^```", (ROOT / "README.md").read_text("utf-8"))
    assert len(block.splitlines()) <= 40
    harness.copy_demo(tmp_path)
    monkeypatch.chdir(tmp_path)
    exec(compile(block, "README.md", "exec"), {})
    told = capsys.readouterr().out
    assert told.startswith(
        "SP2-0003 FAIL\n"
        "  chip_serial design  first_cycle first_pin\n"
        "0    SP2-0003  crc16            7      out1\n"
        "1    SP2-0003  crc16            6      out1\n"
        "A3: this chip has a defect in crc16 (odds "
    )
    assert "\nnewly failing            2  A3: this chip has a defect in crc16 (odds " in told
    assert (
        "newly fixed              0\n"
        "unstable                 0\n"
        "could not be tested      0\n"
        "unchanged               32  32 PASS\n"
        "('Intake tables: 18 of 19 passed; crc16/check FAIL', 'crc16 / check is FAIL: "
    ) in told
    assert re.search(r"\n  design +highest_hz\n0 +gray +\d+\.\d+\n", told)
    assert told.endswith("check: same failure\nstream: same failure\n")
    written = {path.name for path in (tmp_path / "runs").iterdir()}
    assert {"harness.sqlite", "history", "intake", "margins"} < written
    assert len(list((tmp_path / "runs").glob("*/cards/SP2-0003-hold.html"))) == 1
