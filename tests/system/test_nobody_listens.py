"""A command that measures finishes even if its outputs are closed or full."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.cli import main
from harness.records import RunRecord, Verdict
from harness.store import Store
from tests.system.test_intake import LOOKED
from tests.system.test_nightly import ROOT, STUCK, small_rack
from tests.unit.cli.test_closed_output import shut

CHIP = {("bcd7seg", Verdict.PASS), ("crc16", Verdict.FAIL)}
ANSWERS = (*LOOKED, "SP2-0001", "", "", "", "end")


@pytest.fixture(params=["closed", "full"])
def unheard(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Path]:
    """A folder with a rack of a failing chip, for commands whose output is not read."""
    small_rack(tmp_path, STUCK)
    monkeypatch.chdir(tmp_path)
    with shut(request.param) as out, shut(request.param) as err:
        monkeypatch.setattr(sys, "stdout", out)
        monkeypatch.setattr(sys, "stderr", err)
        yield tmp_path
        sys.stdout.flush()
        sys.stderr.flush()


def kept(folder: Path) -> RunRecord:
    with Store.existing(folder / "runs/harness.sqlite") as store:
        return store.latest_run()


def seen(run: RunRecord) -> set[tuple[str, Verdict]]:
    (chip,) = run.chips
    return {(outcome.design, outcome.verdict) for outcome in chip.outcomes}


def test_a_night_is_kept_and_closed(unheard: Path) -> None:
    assert main(["nightly", "rack.toml"]) == 1
    run = kept(unheard)
    assert run.finished is not None
    assert seen(run) == CHIP
    (night,) = (unheard / "runs").glob("night-*")
    assert (night / "night.json").is_file()


def test_a_run_its_bundle_and_its_replay_are_whole(unheard: Path) -> None:
    assert main(["run", "rack.toml"]) == 1
    run = kept(unheard)
    assert run.finished is not None
    assert seen(run) == CHIP
    profile = ["--profile", str(ROOT / "ci/wader.toml")]
    assert main(["bundle", "latest", "--chip", "SP2-0001", *profile, "--out", "b.zip"]) == 0
    assert main(["replay", "b.zip", "--out", "again"]) == 1
    (again,) = (unheard / "again").iterdir()
    assert (again / "run.json").is_file()


def test_a_margin_is_kept_and_its_page_written(unheard: Path) -> None:
    small_rack(unheard)  # two designs cannot tell one's defect from a missing clock
    assert main(["margin", "rack.toml", "--designs", "bcd7seg"]) == 0
    with Store.existing(unheard / "runs/harness.sqlite") as store:
        (found,) = store.margins(chip="SP2-0001")
    assert (found.design, found.trouble) == ("bcd7seg", "")
    assert list((unheard / "runs/margins").glob("margin-*.html"))


def test_an_intake_goes_on_to_its_card(unheard: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    small_rack(unheard)
    monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{word}\n" for word in ANSWERS)))
    assert main(["intake", "rack.toml", "--by", "Ada Example"]) == 0
    run = kept(unheard)
    assert run.finished is not None
    assert seen(run) == {("bcd7seg", Verdict.PASS), ("crc16", Verdict.PASS)}
    assert list((unheard / "runs" / run.run_id / "cards").glob("*.html"))
