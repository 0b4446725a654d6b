"""The command line: thin commands over the library."""

from harness.cli.app import app, main
from harness.cli.exit_code import ExitCode

__all__ = ["ExitCode", "app", "main"]
