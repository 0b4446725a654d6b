"""An intake keeps its run beside those of the rack, and is taken for none of them."""

from __future__ import annotations

import io
import re
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.cli import ExitCode, main
from harness.rack import Locks
from harness.records import RunKind
from harness.store import Store
from harness.watch.pages import snapshot_of
from harness.watch.source import StoreSource, look_at
from harness.watch.state import Phase
from tests.system.test_nightly import small_rack


@dataclass(frozen=True)
class Lab:
    """A rack with one finished night, and after it an intake that was left."""

    rack: str
    night: str
    intake: str

    def refused(self, capsys: pytest.CaptureFixture[str], *command: str) -> str:
        """What is said of a command that is for runs only; nothing is changed by it."""
        before = Path("runs/harness.sqlite").read_bytes()
        capsys.readouterr()
        assert main(command) == ExitCode.BAD_INPUT
        assert Path("runs/harness.sqlite").read_bytes() == before
        return capsys.readouterr().err


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Lab:
    folder = tmp_path_factory.mktemp("lab")
    rack = str(small_rack(folder))
    with pytest.MonkeyPatch.context() as patched:
        patched.chdir(folder)
        assert main(["nightly", rack]) == ExitCode.ALL_PASS
        patched.setattr(sys, "stdin", io.StringIO("yes\n"))
        assert main(["intake", rack, "--by", "Ada Example"]) == ExitCode.NOT_TESTED
    with Store.existing(folder / "runs/harness.sqlite") as store:
        intake, night = store.headings()
    assert (intake.kind, night.kind) == (RunKind.INTAKE, RunKind.RUN)
    assert intake.rack == night.rack
    return Lab(rack, night.run_id, intake.run_id)


@pytest.fixture(autouse=True)
def there(lab: Lab, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(Path(lab.rack).parent)


def test_the_latest_that_is_accepted_is_the_night_and_not_the_intake(
    lab: Lab, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["accept", "latest"]) == ExitCode.ALL_PASS
    assert f"Run {lab.night} is now the baseline" in capsys.readouterr().out


def test_an_intake_that_is_named_is_not_accepted(
    lab: Lab, capsys: pytest.CaptureFixture[str]
) -> None:
    assert lab.refused(capsys, "accept", lab.intake) == (
        f"harness: runs/harness.sqlite: {lab.intake} is an intake, not a night of its rack, so it "
        "cannot be a baseline; accept a run of `harness run` or `harness nightly`. `harness intake "
        "RACK.toml` continues an unfinished intake\n"
    )


@pytest.mark.parametrize("command", ["run", "nightly"])
def test_an_intake_that_is_named_is_not_resumed(
    lab: Lab, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert lab.refused(capsys, command, lab.rack, "--resume", lab.intake) == (
        f"harness: runs/harness.sqlite: {lab.intake} is an intake, and --resume continues runs "
        "only; `harness intake RACK.toml` continues an unfinished intake\n"
    )


def test_the_latest_to_resume_is_the_night_and_not_the_intake(
    lab: Lab, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", lab.rack, "--resume", "latest"]) == ExitCode.BAD_INPUT
    assert f"run {lab.night} is finished, so there is nothing to resume" in capsys.readouterr().err


def test_the_latest_that_is_reported_may_be_an_intake(
    lab: Lab, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["report"])
    assert capsys.readouterr().out.startswith(f"Intake {lab.intake}\n")


def test_the_live_page_tells_an_intake_from_a_run_and_sees_when_somebody_sits_at_it(
    lab: Lab,
) -> None:
    source = StoreSource("runs/harness.sqlite")
    left = look_at(source, None)
    with Locks("an intake") as locks:
        locks.take(f"intake {lab.intake}")
        sat_at = look_at(source, None)
    source.close()
    assert left.state is not None
    assert sat_at.state is not None
    assert (left.state.phase, sat_at.state.phase) == (Phase.LEFT, Phase.UNDER_WAY)
    shown = snapshot_of(left)
    assert re.findall("<td>(intake|run)</td>", shown.runs) == ["intake", "run"]
    assert "“harness intake” with its rack file continues it" in shown.head
    assert "--resume" not in shown.head
