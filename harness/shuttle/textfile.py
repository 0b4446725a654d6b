"""Reads a small text file of a user, with a finding for each way it can be damaged.

One rule: nothing is guessed. A file that is not UTF-8 is reported with the place of its first
invalid byte, and one without a line break at its end as possibly cut off; only a byte-order mark
is accepted, with a warning.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.door import MAX_SETTINGS_BYTES, OPEN_END, read_file
from harness.errors import FileUnusable, Findings, Location

BYTE_ORDER_MARK = b"\xef\xbb\xbf"


@dataclass(frozen=True)
class TextFile:
    """A file's bytes as they are on disk, and its text without a byte-order mark."""

    path: Path
    data: bytes
    text: str


def read_bytes(path: Path, findings: Findings, most: int) -> bytes | None:
    """Return a whole file of at most ``most`` bytes, or None after a finding."""
    try:
        return read_file(path, most)
    except FileUnusable as error:
        findings.extend(error.findings)
        return None


def read_text(path: Path, findings: Findings) -> TextFile | None:
    """Return a UTF-8 text file, or None after a finding."""
    data = read_bytes(path, findings, MAX_SETTINGS_BYTES)
    if data is None:
        return None
    body = without_mark(path, data, findings)
    if not check_bytes(path, body, findings):
        return None
    if body and not body.endswith(b"\n"):
        findings.error("no-line-end", place_of_offset(path, body, len(body)), *OPEN_END)
    return TextFile(path, data, body.decode("utf-8"))


def without_mark(path: Path, data: bytes, findings: Findings) -> bytes:
    """Remove a byte-order mark from a file's first bytes, with a warning."""
    if data.startswith(BYTE_ORDER_MARK):
        findings.warn(
            "byte-order-mark",
            Location(path, 1, 1),
            "the file starts with a byte-order mark, which is ignored",
            "save it as UTF-8 without a byte-order mark",
        )
    return data.removeprefix(BYTE_ORDER_MARK)


def check_bytes(path: Path, body: bytes, findings: Findings, line: int = 1) -> bool:
    """Tell whether bytes are UTF-8 without NUL; the first invalid byte becomes a finding.

    ``line`` is the number of their first line.
    """
    nul = body.find(b"\0")
    if nul >= 0:
        findings.error(
            "nul-byte",
            place_of_offset(path, body, nul, line),
            "the file contains a NUL byte, so it is not text",
            "export it again as UTF-8 text",
        )
        return False
    try:
        body.decode("utf-8")
    except UnicodeDecodeError as trouble:
        findings.error(
            "not-utf8",
            place_of_offset(path, body, trouble.start, line),
            f"byte 0x{body[trouble.start]:02X} is not valid UTF-8 (Latin-1 or Windows text?)",
            "save the file as UTF-8",
        )
        return False
    return True


def place_of_offset(path: Path, body: bytes, offset: int, line: int = 1) -> Location:
    """Line and character column of a byte; all bytes before it must be UTF-8."""
    start = body.rfind(b"\n", 0, offset) + 1
    column = len(body[start:offset].decode("utf-8", "replace")) + 1
    return Location(path, line + body.count(b"\n", 0, start), column)
