"""The yes before a voltage is changed: typed, or given as an option; never assumed."""

from __future__ import annotations

import io
import os
import sys
import tty

import pytest
import typer

from harness.cli.screen import Screen
from harness.cli.supply_ready import confirm_supply
from harness.supply import cautions
from tests.unit.supply.instruments import SPEC


def shown(ready: bool) -> str:
    screen = Screen(file=io.StringIO(), width=1000)
    confirm_supply(screen, SPEC, ready=ready)
    assert isinstance(screen.file, io.StringIO)
    return screen.file.getvalue()


def test_every_caution_is_shown_though_the_option_is_given() -> None:
    text = " ".join(shown(ready=True).split())
    assert all(caution in text for caution in cautions(SPEC))


def test_without_a_terminal_and_without_the_option_nothing_goes_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("y\n"))
    with pytest.raises(typer.BadParameter, match="then give --supply-ready"):
        shown(ready=False)


@pytest.mark.parametrize(("typed", "goes_on"), [("y", True), ("n", False), ("", False)])
def test_at_a_terminal_only_a_yes_goes_on(
    monkeypatch: pytest.MonkeyPatch, typed: str, goes_on: bool
) -> None:
    ours, theirs = os.openpty()
    tty.setcbreak(theirs)
    os.write(ours, f"{typed}\n".encode())
    with os.fdopen(theirs, encoding="utf-8") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        if goes_on:
            shown(ready=False)
        else:
            with pytest.raises(typer.Exit) as left:
                shown(ready=False)
            assert left.value.exit_code == 3
    os.close(ours)
