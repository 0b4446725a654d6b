"""The command line: thin commands over the library."""

from harness.cli.app import main as main
from harness.cli.exit_code import ExitCode as ExitCode
