"""Whether every byte of a zip is accounted for: nothing before, between, after or beside files.

The one rule: what no checksum covers is refused, so that two bundles of one content cannot carry
different things. Offsets are those of PKWARE's APPNOTE.TXT, 4.3.7, 4.3.12 and 4.3.16.
"""

from __future__ import annotations

import zipfile
import zlib

_LOCAL, _CENTRAL, _END = 30, 46, 22
"""Bytes of a file's own heading, of its line in the directory, and of the archive's end."""


def bytes_beside(data: bytes, archive: zipfile.ZipFile) -> str:
    """Say what an archive holds beside its files; empty if nothing.

    ``data`` is the whole archive. Files must have been read, so that names and sizes are true.
    """
    if archive.comment:
        return "the archive has a comment"
    at, directory = 0, 0
    for info in sorted(archive.infolist(), key=lambda info: info.header_offset):
        name = info.orig_filename
        if info.comment:
            return f"{name} has a comment"
        trouble = _local_trouble(data, info, at)
        if trouble:
            return trouble
        length = int.from_bytes(data[at + 26 : at + 28], "little")
        start = at + _LOCAL + length
        at = start + info.compress_size
        if not _ends_where_it_should(data[start:at], info):
            return f"{name} has bytes behind its content"
        directory += _CENTRAL + length
    if at != archive.start_dir:
        return "there are bytes between the files and the archive's directory"
    if at + directory + _END != len(data):
        return "there are bytes behind the archive's directory"
    return ""


def _local_trouble(data: bytes, info: zipfile.ZipInfo, at: int) -> str:
    if info.header_offset != at:
        return f"there are bytes before {info.orig_filename}"
    if info.extra or data[at + 28 : at + 30] != b"\0\0":
        return f"{info.orig_filename} has an extra field"
    return ""


def _ends_where_it_should(packed: bytes, info: zipfile.ZipInfo) -> bool:
    if info.compress_type == zipfile.ZIP_STORED:
        return info.compress_size == info.file_size
    stream = zlib.decompressobj(-zlib.MAX_WBITS)
    stream.decompress(packed, info.file_size + 1)
    return stream.eof and not stream.unused_data
