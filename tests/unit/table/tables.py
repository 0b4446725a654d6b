"""Tables for tests: a text is written beside the small design and read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from harness.errors import Finding
from harness.shuttle import Design, Shuttle, TableSpec
from harness.table import Pattern, check_table, load_table
from tests.unit.shuttle.bench import write_files


@dataclass(frozen=True)
class Desk:
    """A design (see ``tests.unit.shuttle.bench``) and a folder to write its tables in."""

    folder: Path
    design: Design
    shuttle: Shuttle

    def spec(self, data: str | bytes, name: str, latency: Mapping[str, int]) -> TableSpec:
        """Write a table: of text the last line gets its end, bytes are written as they are."""
        path = self.folder / "count" / name
        path.write_bytes(whole(data) if isinstance(data, str) else data)
        return TableSpec("t", path, 1000.0, latency=dict(latency))

    def check(
        self, data: str | bytes, name: str = "t.csv", **latency: int
    ) -> tuple[Pattern | None, list[Finding]]:
        return check_table(self.spec(data, name, latency), self.design, self.shuttle)

    def load(self, data: str | bytes, name: str = "t.csv", **latency: int) -> Pattern:
        return load_table(self.spec(data, name, latency), self.design, self.shuttle)

    def told(self, data: str | bytes, name: str = "t.csv", **latency: int) -> list[str]:
        """Findings as ``line:column rule``."""
        return [
            f"{found.location.line}:{found.location.column} {found.rule}"
            for found in self.check(data, name, **latency)[1]
        ]

    def mask(self, *names: str) -> int:
        """Word with the pins of these signals."""
        return sum(self.design.signals_by_name[name].mask for name in names)

    def value(self, words: int, name: str) -> int:
        """Number that a signal's pins make in a word."""
        bits = 0
        for pin in self.design.signals_by_name[name].pins:
            bits = bits << 1 | words >> pin.bit & 1
        return bits


def whole(text: str) -> bytes:
    """Text as a file holds it: its last line ends as every line does."""
    return (text if text.endswith("\n") or not text else f"{text}\n").encode()


def make_desk(folder: Path) -> Desk:
    """Write the small shuttle and read it."""
    design, shuttle = write_files(folder).load()
    return Desk(folder, design, replace(shuttle))
