"""The command line: thin commands over the library."""

from harness.cli.app import app, main
from harness.cli.exit_code import ExitCode, exit_code

__all__ = ["ExitCode", "app", "exit_code", "main"]
