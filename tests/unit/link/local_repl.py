"""A board's interpreter played by this one: what the raw REPL gets is executed in place."""

from __future__ import annotations

import io
from contextlib import redirect_stdout
from dataclasses import dataclass, field
from typing import Any

from harness.errors import BoardMisbehaved
from harness.link import RawRepl


@dataclass
class LocalRepl(RawRepl):
    """``steps`` has what was asked: bytes held, or a statement. ``spoiled`` answers are damaged."""

    names: dict[str, Any] = field(default_factory=dict)
    steps: list[bytes | str] = field(default_factory=list)
    spoiled: int = 0

    def load(self, program: str) -> None:
        exec(program, self.names)

    def hold(self, data: bytes) -> None:
        self.steps.append(data)
        self.names["_t"] = bytearray(data)

    def execute(self, source: bytes, timeout: float = 10.0, data: bytes = b"") -> str:  # noqa: ARG002  nothing here waits or reads
        self.steps.append(source.decode())
        said = io.StringIO()
        try:
            with redirect_stdout(said):
                exec(source, self.names)
        except OSError as error:
            raise BoardMisbehaved(f"the board's interpreter raised {error}") from error
        if self.spoiled:
            self.spoiled -= 1
            return said.getvalue().replace("1", "7")
        return said.getvalue()

    def reach_prompt(self) -> None:
        """It is always there."""
