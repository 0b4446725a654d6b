"""Terminals and pipes that cannot show every letter: what they cannot show is written out.

The exit code is what a script reads; it never tells of letters.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.system.test_bad_input import Bench, make_bench

ROOT = Path(__file__).resolve().parents[2]
PLAIN = {"LC_ALL": "POSIX", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
LOCALES = [pytest.param({}, id="locale"), pytest.param({"PYTHONIOENCODING": "ascii"}, id="ascii")]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return make_bench(tmp_path)


def harness(
    bench: Bench, locale: dict[str, str], *arguments: str, typed: bytes = b""
) -> subprocess.CompletedProcess[bytes]:
    done = subprocess.run(
        [sys.executable, "-m", "harness", *arguments],
        cwd=bench.folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), **PLAIN, **locale},
        input=typed,
        capture_output=True,
        timeout=100,
        check=False,
    )
    assert b"Traceback" not in done.stderr + done.stdout
    assert (done.stdout + done.stderr).isascii()
    return done


@pytest.mark.parametrize("locale", LOCALES)
def test_check_and_its_exit_code(bench: Bench, locale: dict[str, str]) -> None:
    path = bench.edit("rack.toml", "[[slot]]", "\N{LEFT DOUBLE QUOTATION MARK}key\N{SNOWMAN} = 1")
    done = harness(bench, locale, "check", str(path))
    assert done.returncode == 2
    bench.edit("rack.toml", "\N{LEFT DOUBLE QUOTATION MARK}key\N{SNOWMAN}", '"key\N{SNOWMAN}"')
    done = harness(bench, locale, "check", str(path))
    assert done.returncode == 2
    assert b'unknown key "key\\u2603"' in done.stdout


@pytest.mark.parametrize("locale", LOCALES[:1])
def test_a_run_that_passes(bench: Bench, locale: dict[str, str]) -> None:
    kept = ("--store", "s.sqlite", "--out", "out")
    done = harness(bench, locale, "run", str(bench.rack), *kept)
    assert done.returncode == 0
    assert b"\\u2713 PASS" in done.stdout


@pytest.mark.parametrize("locale", LOCALES)
def test_the_first_questions_of_an_intake(bench: Bench, locale: dict[str, str]) -> None:
    kept = ("--store", "s.sqlite", "--out", "out")
    typed = "Zo\N{LATIN SMALL LETTER E WITH DIAERESIS}\n".encode()
    done = harness(bench, locale, "intake", str(bench.rack), *kept, typed=typed)
    assert done.returncode == 3
    assert b"Who does this intake" in done.stdout


@pytest.mark.parametrize("locale", LOCALES)
def test_a_mistake_in_the_command_line(bench: Bench, locale: dict[str, str]) -> None:
    done = harness(bench, locale, "run", "\N{SNOWMAN}.toml")
    assert done.returncode == 2
    assert b".toml" in done.stderr
