"""Inputs that once did harm, each in a file: a line of JSON that tells about it, then its bytes."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

FOLDER = Path(__file__).parent / "kept"


@dataclass(frozen=True)
class Kept:
    """An input of a kind; ``seed`` made what it was found as, ``found`` says what it did then."""

    kind: str
    seed: int
    found: str
    case: bytes

    @property
    def name(self) -> str:
        """Name of the file: the kind, and what tells one input from another."""
        return f"{self.kind}-{hashlib.sha256(self.case).hexdigest()[:10]}.case"

    def write(self, folder: Path = FOLDER) -> Path:
        """Keep it."""
        folder.mkdir(exist_ok=True)
        head = {"kind": self.kind, "seed": self.seed, "found": self.found}
        path = folder / self.name
        path.write_bytes(json.dumps(head).encode("ascii") + b"\n" + self.case)
        return path


def read_kept(folder: Path = FOLDER) -> Iterator[Kept]:
    """Every input that is kept, in order of names."""
    for path in sorted(folder.glob("*.case")):
        head, _, case = path.read_bytes().partition(b"\n")
        yield Kept(case=case, **json.loads(head))
