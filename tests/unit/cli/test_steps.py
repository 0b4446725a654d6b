"""The steps of a job: a line each in a pipe, one changing line on a terminal."""

from __future__ import annotations

from io import StringIO

from harness.cli.screen import Screen
from harness.cli.steps import shown_steps


def test_in_a_pipe_each_step_is_a_line_unless_its_part_is_known() -> None:
    out = StringIO()
    screen = Screen(file=out)
    with shown_steps(screen) as step:
        step("building gates")
        step("reading", 0.42)
        assert not step.aside(lambda: False)
    assert out.getvalue() == "building gates …\n"


def test_on_a_terminal_the_line_has_the_part_that_is_done_and_is_gone_at_the_end() -> None:
    out = StringIO()
    screen = Screen(file=out, force_terminal=True, width=60)
    with shown_steps(screen) as step:
        step("reading [b]", 0.42)
        step.line.refresh()
        before = out.getvalue()
        assert step.aside(lambda: out.getvalue().endswith("\x1b[2K"))
    assert "reading [b] 42%" in before
    assert out.getvalue().endswith("\x1b[2K")
