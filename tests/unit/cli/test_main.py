"""The commands: exit codes, one line per error and never a traceback."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from harness.cli import ExitCode, main
from harness.cli.run_codes import exit_code
from harness.records import ChipRecord, Outcome, RunRecord, Verdict
from harness.store import Store
from tests.unit.store.samples import NOON, chip, heading
from tests.unit.store.test_store import failing_outcome

ROOT = Path(__file__).parents[3]


def chip_of(*verdicts: Verdict, trouble: str = "") -> ChipRecord:
    plain = replace(failing_outcome(), rules="1")
    outcomes: list[Outcome] = [
        replace(plain, verdict=verdict, design=f"d{k}") for k, verdict in enumerate(verdicts)
    ]
    return replace(chip(trouble=trouble), outcomes=tuple(outcomes))


def run_of(*chips: ChipRecord) -> RunRecord:
    return replace(heading(), finished=NOON, chips=chips)


@pytest.mark.parametrize(
    ("chips", "code"),
    [
        ([chip_of(Verdict.PASS, Verdict.WAIVED)], 0),
        ([chip_of(Verdict.PASS, Verdict.FAIL)], 1),
        ([chip_of(Verdict.UNSTABLE)], 1),
        ([chip_of(Verdict.PASS, Verdict.ERROR)], 3),
        ([chip_of(Verdict.PASS, Verdict.NOT_RUN)], 3),
        ([chip_of(Verdict.PASS), chip_of(trouble="no board")], 3),
        ([chip_of(Verdict.FAIL, Verdict.ERROR), chip_of(trouble="no board")], 1),
        ([chip_of()], 3),
        ([chip_of(Verdict.PASS), chip_of()], 3),
        ([], 3),
    ],
)
def test_a_runs_exit_code_is_its_worst_news(chips: list[ChipRecord], code: int) -> None:
    assert exit_code(run_of(*chips)) == code


@pytest.mark.parametrize("verdict", [Verdict.FAIL, Verdict.UNSTABLE])
def test_a_verdict_that_nobody_could_settle_fails_no_chip(verdict: Verdict) -> None:
    plain = chip_of(Verdict.PASS, verdict)
    outcomes = tuple(replace(outcome, rules="") for outcome in plain.outcomes)
    assert exit_code(run_of(replace(plain, outcomes=outcomes))) == 3


@pytest.mark.parametrize(("verdict", "code"), [(Verdict.PASS, 3), (Verdict.FAIL, 1)])
def test_a_run_that_broke_off_has_passed_nothing(verdict: Verdict, code: int) -> None:
    assert exit_code(replace(run_of(chip_of(verdict)), finished=None)) == code


def test_wrong_usage_names_the_help_of_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "--colour"]) == main(["report", "a", "b"]) == main(["--dance"]) == 2
    assert [line for line in capsys.readouterr().err.splitlines() if line.startswith("Try")] == [
        "Try `harness report --help`.",
        "Try `harness report --help`.",
        "Try `harness --help`.",
    ]


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["run"], "give a rack file, or all of --port, --chip and --profile"),
        (["run", "rack.toml", "--port", "COM3"], "not both"),
        (["run", "--retries", "-1", "rack.toml"], "--retries"),
        (["run", "none.toml"], "none.toml"),
        (["check"], "Missing argument"),
        (["dance"], "No such command 'dance'"),
        (["report", "--colour"], "No such option: --colour"),
    ],
)
def test_wrong_usage_or_input_is_two_and_one_line_says_why(
    arguments: list[str], complaint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == ExitCode.BAD_INPUT
    shown = capsys.readouterr().err
    assert shown.startswith("harness: ")
    assert complaint in shown


def test_help_is_no_error(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", "--help"]) == 0
    assert "--designs" in capsys.readouterr().out


def test_the_version_can_be_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("harness 0.")


def test_control_c_outside_a_running_rack_is_three_without_a_traceback(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(where: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Store, "existing", interrupted)
    assert main(["report", "--store", str(tmp_path / "s.sqlite")]) == ExitCode.NOT_TESTED
    assert capsys.readouterr().err == "harness: stopped\n"


def test_a_report_without_a_store_is_three(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", "--store", str(tmp_path / "none.sqlite")]) == ExitCode.NOT_TESTED
    assert "no results are kept here yet" in capsys.readouterr().err


def stored(tmp_path: Path) -> str:
    path = tmp_path / "s.sqlite"
    with Store(path) as store:
        store.start_run(run_of(chip_of(Verdict.PASS, Verdict.FAIL)))
    return str(path)


def test_a_stored_run_is_reported_again_with_its_own_exit_code(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store, out = stored(tmp_path), tmp_path / "out"
    assert main(["report", "r1", "--store", store, "--out", str(out)]) == ExitCode.CHIP_FAILED
    assert (out / "r1" / "index.html").exists()
    shown = capsys.readouterr().out
    assert "✗ FAIL" in shown
    assert str(out / "r1" / "index.html") in shown


def test_reports_that_cannot_be_written_leave_the_store_as_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = stored(tmp_path)
    (tmp_path / "file").write_text("in the way")
    code = main(["report", "--store", store, "--out", str(tmp_path / "file")])
    assert code == ExitCode.NOT_TESTED
    assert "a file is where a folder should be" in capsys.readouterr().err
    with Store.existing(store) as kept:
        assert kept.latest_run().chips


def test_ports_lists_or_says_that_there_are_none(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ports"]) == 0
    assert capsys.readouterr().out.strip()


def test_a_file_with_errors_makes_check_end_with_two(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "rack.toml"
    path.write_text('name = "x"\nshuttle = "none.toml"\n[[slot]]\nname = "A1"\n')
    assert main(["check", str(path)]) == ExitCode.BAD_INPUT
    assert f"{path}:" in capsys.readouterr().out


def test_the_demo_files_have_no_errors(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["check", str(ROOT / "ci/demo-rack.toml"), str(ROOT / "ci/wader.toml")])
    assert (code, capsys.readouterr().out) == (0, "0 errors, 0 warnings\n")


def test_the_module_runs_as_the_command_does() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "harness", "run", "none.toml"],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert done.returncode == ExitCode.BAD_INPUT
    assert "Traceback" not in done.stderr
    assert "none.toml" in done.stderr


def test_a_name_from_a_strangers_file_cannot_steer_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "shuttle.toml"
    path.write_text('"\\u001b]0;owned\\u0007" = 1\n', encoding="utf-8")
    assert main(["run", str(path)]) == ExitCode.BAD_INPUT
    told = capsys.readouterr().err
    assert "\x1b" not in told
    assert "\x07" not in told
    assert "\\x1b]0;owned" in told


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["check", ""], "an argument"),
        (["check", " "], "an argument"),
        (["run", "rack.toml", "--designs", ""], "an argument"),
        (["run", "rack.toml", "--out="], "--out="),
        (["bundle", "latest", "--chip= "], "--chip="),
    ],
)
def test_an_empty_word_is_wrong_usage_and_no_folder(
    words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words) == ExitCode.BAD_INPUT
    assert capsys.readouterr().err == (f"harness: {told} is empty; give a value or leave it out\n")
