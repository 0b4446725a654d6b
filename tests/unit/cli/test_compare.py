"""``harness compare``: any two runs, by the comparison of a night and with its exit codes."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from harness.cli import ExitCode, main
from harness.records import RunRecord
from harness.store import Store
from tests.unit.reports.samples import START, chip, errored, failed, passed, run_of

GOOD = passed("alu181", "exhaustive")
RUNS = {
    "good": (GOOD,),
    "fails": (failed(),),
    "untested": (replace(errored(), design="alu181", table="exhaustive"),),
    "fewer": (),
}


def run(number: int, run_id: str) -> RunRecord:
    outcomes = (passed(), *RUNS[run_id])
    started = START + timedelta(hours=number)
    return run_of(chip("A1", "SP2-0001", *outcomes), run_id=run_id, started=started)


@pytest.fixture
def there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with Store("runs/harness.sqlite") as store:
        for number, run_id in enumerate(RUNS):
            store.start_run(run(number, run_id))


def test_what_changed_is_printed_written_as_a_page_and_as_json(
    there: None, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", "good", "fails", "--json", "changes.json"]) == ExitCode.CHIP_FAILED
    assert capsys.readouterr().out.splitlines() == [
        "Run fails, compared with run good",
        "newly failing            1  SP2-0001 alu181/exhaustive",
        "newly fixed              0",
        "unstable                 0",
        "could not be tested      0",
        "unchanged                1  1 PASS",
        "Changes: runs/fails/since-good.html",
    ]
    page = Path("runs/fails/since-good.html").read_text(encoding="utf-8")
    assert '<a href="chips/SP2-0001/SP2-0001.html#table-2">alu181 / exhaustive</a>' in page
    assert Path("runs/fails/index.html").is_file()
    plain = json.loads(Path("changes.json").read_text(encoding="utf-8"))
    assert (plain["run"], plain["baseline"]) == ("fails", "good")
    assert [change["design"] for change in plain["newly_failing"]] == ["alu181"]


@pytest.mark.parametrize(
    ("before", "now", "code"),
    [
        ("fails", "good", ExitCode.ALL_PASS),
        ("good", "untested", ExitCode.NOT_TESTED),
        ("good", "fewer", ExitCode.NOT_TESTED),
        ("good", "latest", ExitCode.NOT_TESTED),
    ],
)
def test_the_exit_code_is_that_of_a_night_whose_baseline_is_the_earlier_run(
    there: None, before: str, now: str, code: ExitCode
) -> None:
    assert main(["compare", before, now]) == code


@pytest.mark.parametrize(
    ("runs", "said"),
    [
        (("good", "good"), "good cannot be compared with itself; name two runs"),
        (("r9", "good"), "no run r9 is kept here; the latest is fewer"),
        (("good", "r9"), "no run r9 is kept here; the latest is fewer"),
    ],
)
def test_runs_that_cannot_be_compared_are_named(
    there: None, capsys: pytest.CaptureFixture[str], runs: tuple[str, str], said: str
) -> None:
    assert main(["compare", *runs]) == ExitCode.BAD_INPUT
    assert capsys.readouterr().err == f"harness: runs/harness.sqlite: {said}\n"
