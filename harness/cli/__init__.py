"""The command line: thin commands over the library."""

from harness.cli.app import main
from harness.cli.exit_code import ExitCode

__all__ = ["ExitCode", "main"]
