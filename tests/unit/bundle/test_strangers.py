"""Bundles of strangers: no archive touches anything outside its folder."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.bundle import unpack
from harness.bundle.archive import name_trouble
from harness.bundle.opened import lay_out
from harness.door import MAX_SHEET_BYTES
from harness.errors import BundleError, ConfigError, HarnessError
from tests.unit.bundle.test_archive import honest
from tests.unit.shuttle.bench import PINS

ROOT = Path(__file__).resolve().parents[3]
DESIGN = ROOT / "vectors" / "bcd7seg"
SHUTTLE = f"""\
name = "Sandpiper 2"
organisation = "Low Tide Silicon Club"
designs = ["bcd7seg"]
{PINS}"""
FILES = {
    "shuttle.toml": SHUTTLE.encode(),
    "board.toml": (ROOT / "ci/wader.toml").read_bytes(),
    "slot.toml": b'chip = "SP2-0001"\n',
    **{
        f"bcd7seg/{path.name}": path.read_bytes()
        for path in DESIGN.iterdir()
        if path.suffix in {".toml", ".csv", ".v", ".json"}
    },
}
PLACES = [
    ("shuttle.toml", b'"bcd7seg"'),
    ("bcd7seg/design.toml", b'"function.csv"'),
    ("bcd7seg/design.toml", b'"netlist.json"'),
    ("bcd7seg/design.toml", b'"bcd7seg.v"'),
]
"""Where a bundle's files name others."""

PARTS = st.sampled_from(
    ["..", ".", "", "~", "-rf", "etc", "passwd", "CON", "a", "bcd7seg", "C:", "\\", "\u202e", " "]
)
TEXTS = st.text(max_size=12).filter(lambda name: not name.startswith("\x00"))
"""The standard library makes no archive with a name that begins with NUL."""

NAMES = (st.lists(PARTS, min_size=1, max_size=5).map("/".join) | TEXTS).filter(bool)


@contextmanager
def watched() -> Iterator[Path]:
    """An empty folder; what is around it must be afterwards what it was before."""
    with tempfile.TemporaryDirectory() as name:
        around = Path(name)
        (around / "precious.csv").write_bytes(b"keep")
        folder = around / "deep" / "folder"
        folder.mkdir(parents=True)
        yield folder
        assert sorted(path.name for path in around.iterdir()) == ["deep", "precious.csv"]
        assert [path.name for path in (around / "deep").iterdir()] == ["folder"]
        assert (around / "precious.csv").read_bytes() == b"keep"
        assert not any(path.is_symlink() for path in folder.rglob("*"))


def test_the_bundle_that_all_others_are_made_from_is_sound(tmp_path: Path) -> None:
    opened = lay_out(FILES, tmp_path / "out", tmp_path / "b.zip")
    assert [design.name for design in opened.shuttle.designs] == ["bcd7seg"]


@pytest.mark.parametrize("suffix", [".xlsx", ".ODS"])
def test_a_spreadsheet_that_would_fill_the_memory_is_not_read(tmp_path: Path, suffix: str) -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name in ("a.xml", "b.xml"):
            archive.writestr(name, b"<a>" + b" " * (MAX_SHEET_BYTES // 2) + b"</a>")
    sheet = f"function{suffix}".encode()
    design = FILES["bcd7seg/design.toml"].replace(b"function.csv", sheet)
    files = FILES | {"bcd7seg/design.toml": design, f"bcd7seg/{sheet.decode()}": stream.getvalue()}
    told = f"b.zip/inputs/bcd7seg/function{suffix}: error .* 32,000,000 bytes when unpacked"
    with pytest.raises(BundleError, match=told):
        lay_out(files, tmp_path / "out", tmp_path / "b.zip")
    assert not list((tmp_path / "out").rglob("function.*"))


@given(NAMES, st.binary(max_size=20))
def test_no_archive_writes_outside_its_folder(name: str, content: bytes) -> None:
    with watched() as folder:
        path = folder / "b.zip"
        files = FILES | {name: content}
        try:
            found = unpack(honest(path, files))
        except (BundleError, UnicodeEncodeError):  # the second: no zip can have such a name
            return
        assert not name_trouble(name)
        try:
            lay_out(found, folder / "out", path)
        except HarnessError:
            return


@settings(max_examples=60)
@given(st.sampled_from(PLACES), NAMES, st.booleans())
def test_no_name_in_a_file_leads_outside_either(
    place: tuple[str, bytes], name: str, there: bool
) -> None:
    file, old = place
    written = '"' + "".join(f"\\U{ord(letter):08x}" for letter in name) + '"'
    if any("\ud800" <= letter <= "\udfff" for letter in name):
        return
    files = FILES | {file: FILES[file].replace(old, written.encode(), 1)}
    if there:
        files |= {f"bcd7seg/{name}": b"x"}
    with watched() as folder:
        try:
            lay_out(files, folder / "out", folder / "b.zip")
        except HarnessError:
            return


@pytest.mark.parametrize("name", ["--help", "-rf", "a b", "../x", "a/b", ""])
def test_a_table_whose_name_is_none_is_refused(tmp_path: Path, name: str) -> None:
    design = FILES["bcd7seg/design.toml"].replace(
        b"[tables.function]", f'[tables."{name}"]'.encode()
    )
    assert design != FILES["bcd7seg/design.toml"]
    with pytest.raises(ConfigError, match="name"):
        lay_out(FILES | {"bcd7seg/design.toml": design}, tmp_path / "out", tmp_path / "b.zip")
