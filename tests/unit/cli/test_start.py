"""A command loads what it uses and nothing else: the slow libraries are for those who need them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

import harness.cli
from harness.cli import main
from harness.cli.app import COMMANDS

ROOT = Path(__file__).parents[3]
SLOW = {"numpy", "numba", "pandas", "sqlalchemy", "jinja2", "serial", "starlette"}
"""Libraries that take longer to load than most commands to run."""


def loaded_by(*arguments: str) -> set[str]:
    """Slow libraries that a command has loaded when it is done, in a process of its own."""
    program = (
        "import sys\n"
        "from harness.cli import main\n"
        "main(sys.argv[1:])\n"
        "print(*sys.modules, file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    return SLOW & set(done.stderr.split())


@pytest.mark.parametrize(
    ("arguments", "needed"),
    [
        (["--version"], ""),
        (["--help"], ""),
        (["rum"], ""),
        (["ports"], "numpy serial"),
        (["check", "ci/wader.toml"], "numpy serial"),
        (["check", "vectors/alu181/directed.csv"], "numpy pandas serial"),
        (["report", "--store", "none.sqlite"], "jinja2 numpy serial sqlalchemy"),
    ],
)
def test_a_command_loads_no_slow_library_that_it_does_not_use(
    arguments: list[str], needed: str
) -> None:
    assert loaded_by(*arguments) == set(needed.split())


def test_the_boards_process_loads_the_compiler_and_not_what_reads_tables_or_keeps_results() -> None:
    done = subprocess.run(
        [sys.executable, "-c", "import sys, harness.virtual.server; print(*sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert SLOW & set(done.stdout.split()) == {"numpy", "numba", "serial"}


def test_the_list_of_commands_has_every_command_and_a_line_of_help_that_fits(
    capsys: pytest.CaptureFixture[str],
) -> None:
    rooms = Path(harness.cli.__file__).parent.glob("command_*.py")
    assert {file.stem.removeprefix("command_") for file in rooms} == set(COMMANDS)
    assert main(["--help"]) == 0
    shown = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    assert [f"{name} {line}" for name, line in COMMANDS.items()] == shown[-len(COMMANDS) :]


def test_every_command_shows_its_help_and_loads_no_slow_library_for_it() -> None:
    program = (
        "import io, json, sys\n"
        "from contextlib import redirect_stdout\n"
        "from harness.cli import main\n"
        "from harness.cli.app import COMMANDS\n"
        "seen = {}\n"
        "for name in COMMANDS:\n"
        "    before = set(sys.modules)\n"
        "    with redirect_stdout(io.StringIO()) as page:\n"
        "        code = main([name, '--help'])\n"
        "    first = page.getvalue().partition(' [')[0]\n"
        "    seen[name] = code, first, sorted(set(sys.modules) - before)\n"
        "print(json.dumps(seen))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT
    )
    seen = {
        name: (code, first, SLOW & set(loaded))
        for name, (code, first, loaded) in json.loads(done.stdout).items()
    }
    assert seen == {name: (0, f"Usage: harness {name}", set()) for name in COMMANDS}
