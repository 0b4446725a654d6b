"""The samples in ``ci/nightly``: systemd takes the units, and each calls a command that exists."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from harness.cli import main

SAMPLES = Path(__file__).parents[2] / "ci/nightly"
COMMAND = re.compile(r"bin/harness nightly (.+?)(?: 2>>\S+)?$", re.MULTILINE)


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not here")
def test_systemd_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    """The program's path is replaced by one that exists here: that is checked too."""
    for path in SAMPLES.glob("harness-nightly.*"):
        text = path.read_text().replace("/opt/harness/.venv/bin/harness", "/bin/true")
        (tmp_path / path.name).write_text(text)
    units = sorted(str(path) for path in tmp_path.iterdir())
    assert len(units) == 2
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *units],
        capture_output=True,
        text=True,
        check=False,
        env={"SYSTEMD_LOG_COLOR": "0", "PATH": "/usr/bin:/bin"},
    )
    complaints = [line for line in done.stderr.splitlines() if "harness-nightly" in line]
    assert (done.returncode, complaints) == (0, [])


@pytest.mark.parametrize(
    "name", ["crontab", "harness-nightly.service", "github-actions.yml", "gitlab-ci.yml"]
)
def test_a_sample_calls_the_command_as_it_is(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = COMMAND.findall((SAMPLES / name).read_text())
    assert len(found) == 1
    assert main(["nightly", *found[0].replace('"', "").split()]) == 2
    shown = capsys.readouterr().err
    assert "rack" in shown.lower()
    assert "option" not in shown.lower()
