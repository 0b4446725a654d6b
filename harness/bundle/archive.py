"""Bundles as files: packing named bytes into a zip with a manifest, and reading one back.

The one rule: a bundle is foreign until every byte of it has been checked: its seal first, then what
is inside, for anyone can seal anything. Nothing is extracted to
a disk here, a name cannot lead out of the bundle, and reading stops at fixed sizes.
"""

from __future__ import annotations

import hashlib
import io
import re
import unicodedata
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path

from harness.door import read_file
from harness.errors import BundleError, Finding, Location
from harness_reports import is_device_name

MANIFEST = "manifest.sha256"
"""One line ``<sha-256>  <name>`` for every other file, as ``sha256sum -c`` reads it."""

MAX_BUNDLE_BYTES = 10_000_000
"""A bundle is smaller than this."""

SEAL = 64
"""Bytes of the zip's comment, which ends it: the SHA-256, in hex, of every byte before it."""

MAX_FILE_BYTES = 64_000_000
MAX_CONTENT_BYTES = 128_000_000
MAX_FILES = 2_000
"""Maximum number of bytes of one file and of all files when unpacked, and of files."""

MAX_BYTES_BY_NAME = {"bundle.json": 1_000_000, "run.json": 16_000_000}
MAX_TOML_BYTES = 200_000
"""Maximum number of bytes of files that a parser reads whole, and of every ``.toml`` file."""

_MOMENT = (1980, 1, 1, 0, 0, 0)
_UTF_8 = 0x800
"""The flag that says so of a name (PKWARE APPNOTE.TXT, 4.4.4, bit 11)."""
_METHODS = {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}
_BAD_CHARACTERS = re.compile(
    r'[\x00-\x1f\x7f-\x9f\\:*?"<>|\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff\ud800-\udfff]'
)
_LINE = re.compile(r"([0-9a-f]{64})  (.+)")
_AGAIN = "ask the bundle's maker for a new copy"
_SEALED_AGAIN = f"{_AGAIN}, made with this version of the tool"


def pack(files: Mapping[str, bytes], place: Path) -> bytes:
    """Return a sealed zip of the files and their manifest; the same files give the same bytes.

    ``place`` is named in complaints. Raises BundleError if a name is unsafe or the zip is not
    smaller than :data:`MAX_BUNDLE_BYTES`. Equal bytes need the same zlib.
    """
    for name in files:
        if name_trouble(name):
            raise BundleError.of(
                "unsafe-name", place, f"{name!r} {name_trouble(name)}", "rename it"
            )
    _check_sizes(place, {name: len(data) for name, data in files.items()})
    whole = {**files, MANIFEST: _manifest(files)}
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.comment = bytes(SEAL)
        for name in sorted(whole):
            info = zipfile.ZipInfo(name, _MOMENT)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.create_system = 3
            info.external_attr = 0o100644 << 16
            archive.writestr(info, whole[name], compresslevel=9)
    if stream.tell() >= MAX_BUNDLE_BYTES:
        largest = ", ".join(sorted(files, key=lambda name: -len(files[name]))[:3])
        what = f"the bundle has {stream.tell():,} bytes; the largest files are {largest}"
        raise BundleError.of("bundle-too-large", place, what, "bundle one design with --design")
    return _sealed(stream.getvalue())


def unpack(path: Path) -> dict[str, bytes]:
    """Read a bundle whole and return its files by name, without the manifest.

    Raises FileUnusable if there is no file of a bundle's size, and BundleError, naming the file in
    the bundle, if anything is missing, added, altered, unsafe or too large.
    """
    data = read_file(path, MAX_BUNDLE_BYTES - 1)
    if data != _sealed(data):
        why = f"its last {SEAL} bytes are not the SHA-256 of the rest"
        what = f"altered, cut short or not a bundle: {why}"
        raise BundleError.of("altered-bundle", path, what, _SEALED_AGAIN)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _check_listing(path, archive.infolist())
            files = {info.filename: _read(path, archive, info) for info in archive.infolist()}
    except UnicodeDecodeError as trouble:
        what = f"{trouble.object!r} is a name that is not UTF-8"
        raise BundleError.of("unsafe-name", path, what, _AGAIN) from trouble
    except (zipfile.BadZipFile, NotImplementedError, ValueError) as trouble:
        why = f"not a complete zip archive: {trouble}"
        raise BundleError.of("damaged-bundle", path, why, _AGAIN) from trouble
    _check_manifest(path, files)
    return files


def name_trouble(name: str) -> str:
    """Say why a name may not stand in a bundle; empty if it may."""
    if not name or len(name) > 240 or _BAD_CHARACTERS.search(name):
        return "is empty, too long or has characters that file systems treat specially"
    for part in name.split("/"):
        if part in {"", ".", ".."}:
            return "leads out of the bundle"
        if part[0] == "-":
            return "looks like an option of a command"
        if part[-1] in {".", " "} or is_device_name(part):
            return "is a name that some file systems treat specially"
    return ""


def _check_listing(path: Path, infos: list[zipfile.ZipInfo]) -> None:
    if len(infos) > MAX_FILES:
        what = f"{len(infos):,} files; the maximum is {MAX_FILES:,}"
        raise BundleError.of("bundle-too-large", path, what, _AGAIN)
    seen: dict[str, str] = {}
    for info in infos:
        # zipfile cuts a name at a zero byte; the name as written counts
        trouble = name_trouble(info.orig_filename) or _kind_trouble(info)
        if trouble:
            raise BundleError.of("unsafe-name", path, f"{info.orig_filename!r} {trouble}", _AGAIN)
        name, key = info.filename, _on_any_disk(info.filename)
        if key in seen:
            other = f", once as {seen[key]}" if seen[key] != name else ""
            raise BundleError.of("altered-bundle", path, f"{name} is there twice{other}", _AGAIN)
        seen[key] = name
    for name in seen:
        parents = {name[: k.start()] for k in re.finditer("/", name)}
        for parent in sorted(parents & seen.keys()):
            what = f"{seen[parent]} is both a file and a folder"
            raise BundleError.of("unsafe-name", path, what, _AGAIN)
    _check_sizes(path, {info.filename: info.file_size for info in infos})


def _on_any_disk(name: str) -> str:
    """Return a key that is equal for names that some file system takes for the same."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def _kind_trouble(info: zipfile.ZipInfo) -> str:
    if info.external_attr >> 16 & 0o170000 not in {0, 0o100000}:
        return "is a link or a device, not a file"
    if not info.orig_filename.isascii() and not info.flag_bits & _UTF_8:
        return "is a name that is not marked as UTF-8"
    if info.flag_bits & 1:
        return "is encrypted"
    if info.compress_type not in _METHODS:
        return "uses a compression method that bundles do not"
    return ""


def _check_sizes(path: Path, sizes: Mapping[str, int]) -> None:
    total = 0
    for name, size in sizes.items():
        total += size
        toml = MAX_TOML_BYTES if name.lower().endswith(".toml") else size
        most = MAX_BYTES_BY_NAME.get(name, toml)
        if size > most:
            what = f"{name} has {size:,} bytes; the maximum in a bundle is {most:,}"
            advice = "bundle one design with --design, or make the file smaller"
            raise BundleError.of("bundle-too-large", path, what, advice)
        if size > MAX_FILE_BYTES or total > MAX_CONTENT_BYTES:
            what = f"with {name} the content is larger than a bundle may be"
            raise BundleError.of("bundle-too-large", path, what, "bundle one design with --design")


def _read(path: Path, archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    """Read one file; never more of it than the listing said, which was checked."""
    try:
        with archive.open(info) as stream:
            data = stream.read(info.file_size + 1)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, ValueError) as trouble:
        what = f"{info.filename} was altered or is damaged ({trouble})"
        raise BundleError.of("altered-bundle", path, what, _AGAIN) from trouble
    if len(data) != info.file_size:
        what = f"{info.filename} was altered: its length differs from the listing"
        raise BundleError.of("altered-bundle", path, what, _AGAIN)
    return data


def _sealed(archive: bytes) -> bytes:
    """Return an archive with its seal in place of as many bytes at its end."""
    return archive[:-SEAL] + _sum(archive[:-SEAL]).encode("ascii")


def _manifest(files: Mapping[str, bytes]) -> bytes:
    return "".join(f"{_sum(files[name])}  {name}\n" for name in sorted(files)).encode("utf-8")


def _check_manifest(path: Path, files: dict[str, bytes]) -> None:
    """Compare every file with the manifest, take that out, and report all differences."""
    text = files.pop(MANIFEST, None)
    if text is None:
        what = f"{MANIFEST} is missing, so no file can be checked"
        raise BundleError.of("altered-bundle", path, what, "give a file that `harness bundle` made")
    listed = _listed(path, text)
    wrong = dict.fromkeys(files.keys() - listed.keys(), "was added")
    wrong |= dict.fromkeys(listed.keys() - files.keys(), "is missing")
    for name in files.keys() & listed.keys():
        if _sum(files[name]) != listed[name]:
            wrong[name] = "was altered"
    if wrong:
        raise BundleError(
            Finding("altered-bundle", Location(path), f"{name} {wrong[name]}", _AGAIN)
            for name in sorted(wrong)
        )


def _listed(path: Path, text: bytes) -> dict[str, str]:
    listed: dict[str, str] = {}
    try:
        lines = text.decode("utf-8").splitlines()
    except UnicodeDecodeError:
        lines = [""]
    for line in lines:
        match = _LINE.fullmatch(line)
        if match is None:
            raise BundleError.of("altered-bundle", path, f"{MANIFEST} was altered", _AGAIN)
        if match.group(2) in listed:
            what = f"{MANIFEST} was altered: it lists {match.group(2)!r} twice"
            raise BundleError.of("altered-bundle", path, what, _AGAIN)
        listed[match.group(2)] = match.group(1)
    return listed


def _sum(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
