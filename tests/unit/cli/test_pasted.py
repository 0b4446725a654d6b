"""Commands that are printed to be pasted: a name from a stranger is one word of a shell."""

from __future__ import annotations

import shlex
from dataclasses import replace
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

import harness
from harness.cli import main
from harness.cli.command_handover import _say_done
from harness.cli.command_new import _print_wrapper
from harness.cli.screen import Screen
from tests.unit.store.test_handovers import HANDED

HOSTILE = "a; touch pwned $(touch pwned).v"


def test_the_check_of_a_new_profile_works_in_any_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "my bench; ls"
    folder.mkdir()
    assert main(["new", "--shuttle", "--in", str(folder)]) == 0
    capsys.readouterr()
    assert main(["new", "--board", "--in", str(folder)]) == 0
    following = capsys.readouterr().out.replace("\n", " ").partition("Next: ")[2].strip()
    files = (str(folder / name) for name in ("shuttle.toml", "board.toml"))
    assert following == shlex.join(("harness", "check", *files))


def test_the_command_after_a_wrapper_quotes_the_files_of_a_stranger() -> None:
    out = StringIO()
    named = SimpleNamespace(wrapper_name="top_w")
    made = cast("harness.NewDesign", SimpleNamespace(proposal=named, wrapper=""))
    _print_wrapper(Screen(file=out), made, None, "top", [Path(HOSTILE)])
    command = out.getvalue().rpartition("then: ")[2].strip()
    files = ("--verilog", HOSTILE, "--verilog", "top_w.v")
    assert shlex.split(command) == ["harness", "new", "top", *files, "--top", "top_w"]


def test_the_command_that_undoes_a_handover_quotes_the_slot() -> None:
    out = StringIO()
    _say_done(Screen(file=out), harness.HandedOver(replace(HANDED, slot=HOSTILE)))
    assert f"`harness handover {shlex.quote(HOSTILE)} --undo` restores" in out.getvalue()
