"""What the guides show from Python, carried out as it stands there."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

import harness

ROOT = Path(__file__).parents[2]
CLEARED = "{'q': 0, 'rco': 0}\n"


def blocks(guide: str) -> list[str]:
    return re.findall(r"(?ms)^```python\n(.*?)^```", (ROOT / guide).read_text("utf-8"))


@pytest.mark.slow
def test_the_week_of_the_readme_goes_as_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    block, _ = blocks("README.md")
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
        "A3 (SP2-0003): this chip has a defect in crc16 (odds "
    )
    assert (
        "\nnewly failing            2  A3 (SP2-0003): this chip has a defect in crc16 (odds "
        in told
    )
    assert (
        "newly fixed              0\n"
        "unstable                 0\n"
        "could not be tested      0\n"
        "unchanged               34  34 PASS\n"
        "('A3 (SP2-0003): this chip has a defect in crc16 (odds "
    ) in told
    assert re.search(r"\n  design +highest_hz\n0 +gray +\d+\.\d+\n", told)
    assert told.endswith("check: same failure\nstream: same failure\n")
    written = {path.name for path in (tmp_path / "runs").iterdir()}
    assert {"harness.sqlite", "history", "intake", "margins"} < written
    assert len(list((tmp_path / "runs").glob("*/cards/SP2-0003-hold.html"))) == 1


@pytest.mark.parametrize(("guide", "told"), [("README.md", "5\n"), ("vectors/README.md", CLEARED)])
def test_a_chip_is_worked_by_hand_as_the_guides_say(
    guide: str,
    told: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (block,) = [text for text in blocks(guide) if "open_chip" in text]
    shutil.copytree(ROOT / "vectors", tmp_path / "vectors")
    monkeypatch.chdir(tmp_path)
    exec(compile(block, guide, "exec"), {})
    assert capsys.readouterr().out == told
    with harness.open_chip("vectors", "ctr163") as chip:
        outcome = chip.run_table("hand")
    assert outcome.verdict is harness.Verdict.PASS
    assert ("unconfirmed: observed on its netlist" in outcome.summary) == (told == CLEARED)
