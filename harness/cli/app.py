"""The command ``harness``: its subcommands, and the one place where errors become exit codes.

One rule: no logic here or in the command modules that a caller of the library could not reach.
"""

from __future__ import annotations

import sys
import traceback
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import version
from keyword import iskeyword
from typing import Annotated, Any

import typer
import typer.main
from typer.core import TyperCommand, TyperGroup
from typer.exceptions import Abort, TyperException

from harness.cli.exit_code import ExitCode
from harness.cli.screen import complain, ready_streams
from harness.errors import HarnessError, InputError, RunUnfit

COMMANDS = {
    "demo": "Copy the demo into a folder and run its virtual boards.",
    "new": "Start a design from its Verilog, a shuttle or a board.",
    "check": "Check files without running anything.",
    "netlist": "Make a design's netlist from its Verilog.",
    "nets": "List the nets of a design's netlist.",
    "import": "Make a table from a waveform dump of your simulation.",
    "rehearse": "Run tables on their own designs' netlists, before any silicon.",
    "grade": "Say which faults of a design's gates its tables would notice.",
    "strengthen": "Propose rows for faults that a table would not notice.",
    "compact": "Make a short table that notices as much as others do.",
    "export": "Write a table as test vectors for other tools.",
    "wave": "Show a table as waves before anything runs.",
    "testbench": "Write a table as a testbench for simulators.",
    "generate": "Make a table from a design's reference model.",
    "expand": "Make a table from what goes over a serial interface.",
    "run": "Run tables on every chip of a rack and write its reports.",
    "nightly": "Run every table on every slot and compare with the baseline.",
    "accept": "Accept a finished run as its rack's baseline.",
    "compare": "Print what changed between two runs.",
    "margin": "Find the highest clock rate at which a design's tables pass.",
    "watch": "Show a running rack and all stored results on a web page.",
    "history": "Write a page for each chip, design or slot.",
    "intake": "Check new chips before they are handed out, step by step.",
    "handover": "Leave a board that starts a design by itself at power-up.",
    "triage": "Print what a stored run's failures are due to.",
    "diagnose": "Name suspects inside a design that fails on a chip.",
    "report": "Write the reports of a stored run again.",
    "parquet": "Write the results of many runs as Parquet files.",
    "bundle": "Put a chip's report, evidence and inputs into one file.",
    "ports": "List this computer's serial ports.",
    "replay": "Run a bundle's tables again and compare.",
}
"""Each command and its line of help; ``command_<name>.py`` is loaded when it is called."""


class _Commands(TyperGroup):
    """Loads only the command that is called: each needs other rooms of the tool."""

    def resolve_command(
        self, ctx: Any, args: list[str]
    ) -> tuple[str | None, TyperCommand | None, list[str]]:
        name, stub, rest = super().resolve_command(ctx, args)
        return name, None if stub is None else _load(str(stub.name)), rest


def _typer(**settings: Any) -> typer.Typer:
    return typer.Typer(
        add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None, **settings
    )


def _load(name: str) -> TyperCommand:
    alone = _typer()
    function = f"{name}_" if iskeyword(name) else name
    alone.command(name)(getattr(import_module(f"harness.cli.command_{name}"), function))
    command = typer.main.get_command(alone)
    assert isinstance(command, TyperCommand)
    return command


app = _typer(
    name="harness",
    help="Run vector tables on shuttle chips and report pass or fail per chip.",
    cls=_Commands,
)


def _unloaded() -> None:
    """Stand in for a command until it is called."""


for _name, _line in COMMANDS.items():
    app.command(_name, help=_line)(_unloaded)


_INTERRUPTED = 130
"""What typer returns for Ctrl-C outside a running rack."""


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

    A fault of this program itself prints its traceback, and says nothing about a chip.

    ``arguments`` are those after the program's name; None means the process's own.
    """
    ready_streams()
    words = list(sys.argv[1:] if arguments is None else arguments)
    empty = next((word for word in words if _is_empty(word)), None)
    if empty is not None:
        _complain(f"{empty.strip() or 'an argument'} is empty; give a value or leave it out")
        return ExitCode.BAD_INPUT
    try:
        code = app(
            args=words,
            prog_name="harness",
            standalone_mode=False,
        )
    except TyperException as error:
        known = [word for word in words[:1] if word in COMMANDS]
        _complain(
            f"{error.format_message().rstrip()}\nTry `{' '.join(('harness', *known, '--help'))}`."
        )
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


def _is_empty(word: str) -> bool:
    """Return whether a word, or an option's value, is blank: as a path it would be this folder."""
    option, equals, value = word.partition("=")
    return not word.strip() or (option.startswith("--") and bool(equals) and not value.strip())


def _complain(message: str) -> None:
    """Write an error; names from untrusted files cannot steer the terminal."""
    complain(f"harness: {message}")
