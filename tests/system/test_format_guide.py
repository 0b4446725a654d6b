"""The commands that the reference of tables shows for JEDEC and STIL files, carried out."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import harness
from harness.cli import main

PAGE = (Path(__file__).parents[2] / "vectors" / "README.md").read_text("utf-8")


def test_the_commands_for_other_formats_print_what_the_page_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    harness.copy_demo(tmp_path)
    monkeypatch.chdir(tmp_path)
    section = PAGE[PAGE.index("## JEDEC and STIL files") :]
    block = section.split("```console\n")[1].split("```")[0]
    commands = re.findall(r"(?ms)^\$ harness ([^\n]*)\n(.*?)(?=^\$|\Z)", block)
    assert len(commands) == 3
    for command, printed in commands:
        assert main(command.split()) == 0
        seen = capsys.readouterr().out.replace(f"{tmp_path}/", "")
        expected = ".*".join(re.escape(part) for part in printed.split("…\n"))
        assert re.fullmatch(expected, seen, re.DOTALL), seen
