"""The command ``harness``: its commands, and the one place where errors become exit codes.

One rule: no logic here or in the command modules that a caller of the library could not reach.
"""

from __future__ import annotations

import traceback
from collections.abc import Sequence
from importlib.metadata import version
from typing import Annotated

import typer
from typer.exceptions import Abort, TyperException

from harness.cli.command_accept import accept
from harness.cli.command_bundle import bundle
from harness.cli.command_check import check
from harness.cli.command_history import history
from harness.cli.command_intake import intake
from harness.cli.command_margin import margin
from harness.cli.command_nightly import nightly
from harness.cli.command_ports import ports
from harness.cli.command_replay import replay_bundle
from harness.cli.command_report import report
from harness.cli.command_run import run
from harness.cli.command_watch import watch
from harness.cli.exit_code import ExitCode
from harness.cli.screen import complain, write_out_letters
from harness.errors import HarnessError, InputError, RunUnfit

app = typer.Typer(
    name="harness",
    help="Run vector tables on shuttle chips and report pass or fail per chip.",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
for _command in (
    check,
    run,
    nightly,
    accept,
    margin,
    watch,
    history,
    intake,
    report,
    bundle,
    ports,
):
    app.command()(_command)
app.command("replay")(replay_bundle)


_INTERRUPTED = 130
"""What typer makes of Ctrl-C outside of a running rack."""


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"harness {version('harness')}")
        raise typer.Exit


@app.callback()
def _options(
    show_version: Annotated[
        bool,
        typer.Option("--version", help="Show the version.", callback=_show_version, is_eager=True),
    ] = False,
) -> None:
    """Run vector tables on shuttle chips and report pass or fail per chip."""
    del show_version


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; prints a line, never a traceback, for our errors.

    A fault of this program itself has its traceback printed, and says nothing about a chip.

    ``arguments`` are those after the program's name; None takes the process's own.
    """
    write_out_letters()
    try:
        code = app(
            args=None if arguments is None else list(arguments),
            prog_name="harness",
            standalone_mode=False,
        )
    except TyperException as error:
        _complain(f"{error.format_message().rstrip()}\nTry `harness --help`.")
        return ExitCode.BAD_INPUT
    except (InputError, RunUnfit) as error:
        _complain(str(error))
        return ExitCode.BAD_INPUT
    except HarnessError as error:
        _complain(str(error))
        return ExitCode.NOT_TESTED
    except (Abort, KeyboardInterrupt):
        code = _INTERRUPTED
    except Exception:  # noqa: BLE001 - Python's own exit code would say that a chip failed
        _complain(f"please report this fault of harness itself\n{traceback.format_exc()}")
        return ExitCode.NOT_TESTED
    if code == _INTERRUPTED:
        _complain("stopped")
        return ExitCode.NOT_TESTED
    return code if isinstance(code, int) else ExitCode.ALL_PASS


def _complain(message: str) -> None:
    """Write an error; names from files of strangers move no cursor and change no title."""
    complain(f"harness: {message}")
