"""Lines of a table as its author wrote them, for those who look for what failed.

One rule: only the file that was read is quoted; one that has changed since gives nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from pathlib import Path

from harness.door import open_file
from harness.errors import FileUnusable

MAX_QUOTED_BYTES = 1 << 25
"""Maximum size of a file that is quoted: it is read once more for it."""

MAX_SHOWN_LINE = 400
"""Maximum number of characters of a line that are quoted."""

_TEXTS = {".csv", ".tsv"}


def quoted_lines(path: Path, sha256: str, wanted: Collection[int]) -> dict[int, str]:
    """Return the header and the ``wanted`` lines, numbered from 1, of the table with this hash.

    Nothing of a spreadsheet, of a file above :data:`MAX_QUOTED_BYTES`, or of another hash.
    """
    if path.suffix.lower() not in _TEXTS:
        return {}
    try:
        with open_file(path, MAX_QUOTED_BYTES) as file:
            data = file.read()
    except (FileUnusable, OSError):
        return {}
    if hashlib.sha256(data).hexdigest() != sha256:
        return {}
    lines = data.removesuffix(b"\n").split(b"\n")
    header = next((k for k, line in enumerate(lines, 1) if _is_header(line)), 0)
    return {
        number: _text(lines[number - 1])
        for number in sorted({header, *wanted})
        if 0 < number <= len(lines)
    }


def _is_header(line: bytes) -> bool:
    return bool(line.strip()) and not line.lstrip(b"\xef\xbb\xbf ").startswith(b"#")


def _text(line: bytes) -> str:
    return line.decode("utf-8-sig", "replace").rstrip("\r")[:MAX_SHOWN_LINE]
