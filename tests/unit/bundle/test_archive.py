"""Bundles as files: the same bytes each time, readable by others, and nothing foreign believed."""

from __future__ import annotations

import hashlib
import io
import random
import shutil
import stat
import subprocess
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bundle import unpack
from harness.bundle.archive import (
    MANIFEST,
    MAX_BUNDLE_BYTES,
    MAX_CONTENT_BYTES,
    MAX_FILE_BYTES,
    MAX_FILES,
    name_trouble,
    pack,
)
from harness.errors import BundleError, InputError

FILES = {"run.json": b"{}\n", "inputs/a/b.csv": b"clk,q\nC,H\n" * 50, "inputs/empty.v": b""}
PLACE = Path("bundle.zip")
UNSEALED = (
    "error [altered-bundle] altered, cut short or not a bundle: its last 64 bytes are not the "
    "SHA-256 of the rest; ask the bundle's maker for a new copy, made with this version of the tool"
)
Member = tuple[str | zipfile.ZipInfo, bytes]


def manifest(files: dict[str, bytes]) -> bytes:
    lines = [f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in files.items()]
    return "".join(lines).encode()


def sealed(data: bytes) -> bytes:
    """What a stranger can make of anything."""
    return data + hashlib.sha256(data).hexdigest().encode()


def reseal(path: Path, data: bytes) -> None:
    path.write_bytes(sealed(data[:-64]))


def zipped(path: Path, *members: Member, method: int = zipfile.ZIP_DEFLATED) -> Path:
    """A zip with any content and a valid seal."""
    with zipfile.ZipFile(path, "w", method) as archive:
        archive.comment = bytes(64)
        for name, data in members:
            archive.writestr(name, data)
    reseal(path, path.read_bytes())
    return path


def honest(path: Path, files: dict[str, bytes]) -> Path:
    """A zip with any names and a valid manifest."""
    return zipped(path, *files.items(), (MANIFEST, manifest(files)))


def honest_twice(path: Path) -> Path:
    return zipped(path, ("a.csv", b"1"), ("a.csv", b"1"), (MANIFEST, manifest({"a.csv": b"1"})))


def refusal(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        unpack(path)
    return str(caught.value)


def test_what_was_packed_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "b.zip"
    path.write_bytes(pack(FILES, PLACE))
    assert unpack(path) == FILES


def test_the_same_files_in_any_order_give_the_same_bytes() -> None:
    assert pack(FILES, PLACE) == pack(dict(reversed(FILES.items())), PLACE)
    with zipfile.ZipFile(io.BytesIO(pack(FILES, PLACE))) as archive:
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert archive.namelist() == sorted([*FILES, MANIFEST])


def test_unzip_and_sha256sum_find_it_sound(tmp_path: Path) -> None:
    if not shutil.which("unzip") or not shutil.which("sha256sum"):
        pytest.skip("unzip and sha256sum are not both here")
    path = tmp_path / "b.zip"
    path.write_bytes(pack(FILES, PLACE))
    tested = subprocess.run(["unzip", "-t", path], capture_output=True, text=True, check=True)
    assert "No errors detected" in tested.stdout
    subprocess.run(["unzip", "-q", path, "-d", tmp_path / "out"], check=True)
    subprocess.run(
        ["sha256sum", "-c", "--strict", "--quiet", MANIFEST], cwd=tmp_path / "out", check=True
    )
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None


def test_every_altered_added_or_missing_file_is_named(tmp_path: Path) -> None:
    files = {"a.csv": b"1", "b.csv": b"2", "c.csv": b"3"}
    path = zipped(
        tmp_path / "b.zip",
        ("a.csv", b"9"),
        ("c.csv", b"3"),
        ("d.csv", b"4"),
        (MANIFEST, manifest(files)),
    )
    advice = "ask the bundle's maker for a new copy"
    assert refusal(path).splitlines() == [
        f"{path}: error [altered-bundle] a.csv was altered; {advice}",
        f"{path}: error [altered-bundle] b.csv is missing; {advice}",
        f"{path}: error [altered-bundle] d.csv was added; {advice}",
    ]


def test_a_zip_without_a_manifest_is_no_bundle(tmp_path: Path) -> None:
    assert f"{MANIFEST} is missing" in refusal(zipped(tmp_path / "b.zip", ("run.json", b"{}")))


def test_damage_below_a_new_seal_is_refused_by_name(tmp_path: Path) -> None:
    data = bytearray(pack({"a.csv": random.Random(1).randbytes(4000)}, PLACE))
    data[2000] ^= 1
    path = tmp_path / "b.zip"
    reseal(path, bytes(data))
    assert "a.csv was altered" in refusal(path)


def test_no_byte_of_a_bundle_can_change_unnoticed(tmp_path: Path) -> None:
    path, whole = tmp_path / "b.zip", pack({"a.csv": b"clk,q\nC,H\n" * 20}, PLACE)
    assert len(whole) < 600
    for place in range(len(whole)):
        data = bytearray(whole)
        data[place] ^= 1 << place % 8
        path.write_bytes(data)
        assert refusal(path) == f"{path}: {UNSEALED}"


def test_no_bundle_is_read_that_was_cut_short_or_has_bytes_before_or_behind(tmp_path: Path) -> None:
    path, whole = tmp_path / "b.zip", pack({"a.csv": b"clk,q\nC,H\n" * 20}, PLACE)
    cut = [whole[:length] for length in range(len(whole))]
    for data in (*cut, b"#!/bin/sh\n" + whole, whole + b"\n", whole + whole, whole + whole[-64:]):
        path.write_bytes(data)
        assert refusal(path) == f"{path}: {UNSEALED}"


def test_a_bundle_that_was_packed_again_has_no_seal(tmp_path: Path) -> None:
    path = tmp_path / "b.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.csv", b"1")
        archive.writestr(MANIFEST, manifest({"a.csv": b"1"}))
    assert refusal(path) == f"{path}: {UNSEALED}"


def test_a_seal_makes_no_bundle(tmp_path: Path) -> None:
    path = tmp_path / "b.zip"
    for data in (b"", b"no zip", pack(FILES, PLACE)[:200]):
        path.write_bytes(sealed(data))
        assert "[damaged-bundle]" in refusal(path)
    assert "[file-missing]" in refusal(tmp_path / "none.zip")
    assert "[file-unreadable]" in refusal(tmp_path)


@pytest.mark.parametrize(
    "name",
    [
        "../up.csv",
        "/etc/cron.d/x",
        "a/../../up.csv",
        "a//b",
        "a/./b",
        "C:/x",
        "a\\..\\b",
        "CON",
        "inputs/nul.csv",
        "a./b",
        "a\nb",
        "folder/",
        "x" * 300,
        "-rf",
        "inputs/--out.csv",
        "a/\u202egnp.csv",
        "a\x9b31m.csv",
    ],
)
def test_a_name_that_leads_elsewhere_is_refused_even_with_a_manifest(
    tmp_path: Path, name: str
) -> None:
    path = honest(tmp_path / "b.zip", {name: b"x"})
    assert "[unsafe-name]" in refusal(path)
    assert sorted(tmp_path.iterdir()) == [path]
    with pytest.raises(BundleError, match="unsafe-name"):
        pack({name: b"x"}, PLACE)


@given(st.text(max_size=30))
def test_a_name_that_is_accepted_stays_below_its_folder(name: str) -> None:
    if not name_trouble(name):
        folder = Path("/safe/folder")
        assert (folder / name).resolve().is_relative_to(folder)
        assert (folder / name).resolve() != folder


def test_a_link_in_the_zip_is_refused(tmp_path: Path) -> None:
    info = zipfile.ZipInfo("inputs/a.csv")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    path = zipped(tmp_path / "b.zip", (info, b"/etc/passwd"))
    assert "inputs/a.csv' is a link or a device, not a file" in refusal(path)


def test_two_files_of_one_name_are_refused(tmp_path: Path) -> None:
    path = honest(tmp_path / "b.zip", {"a.csv": b"1", "A.csv": b"2"})
    assert "A.csv is there twice, once as a.csv" in refusal(path)
    path = honest(tmp_path / "d.zip", {"\u00e9.csv": b"1", "e\u0301.csv": b"2"})
    assert "e\u0301.csv is there twice, once as \u00e9.csv" in refusal(path)
    with pytest.warns(UserWarning, match="Duplicate name"):
        path = honest_twice(tmp_path / "e.zip")
    assert "a.csv is there twice;" in refusal(path)
    path = honest(tmp_path / "c.zip", {"a": b"1", "a/b": b"2"})
    assert "a is both a file and a folder" in refusal(path)


@pytest.mark.parametrize(("flag", "told"), [(0x800, "not UTF-8"), (0, "not marked as UTF-8")])
def test_a_name_that_is_no_utf_8_is_refused(tmp_path: Path, flag: int, told: str) -> None:
    path = honest(tmp_path / "b.zip", {"\u00e9\u00e9.csv": b"1"})
    data = bytearray(path.read_bytes().replace("\u00e9\u00e9".encode(), b"\xff\xfe\xff\xfe"))
    for head, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = data.index(head) + at
        data[place : place + 2] = flag.to_bytes(2, "little")
    reseal(path, bytes(data))
    told_all = refusal(path)
    assert f"a name that is {told}" in told_all
    assert ".csv" in told_all


def test_a_sum_that_is_listed_twice_is_refused(tmp_path: Path) -> None:
    sums = manifest({"a.csv": b"9"}) + manifest({"a.csv": b"1"})
    path = zipped(tmp_path / "b.zip", ("a.csv", b"1"), (MANIFEST, sums))
    assert f"{MANIFEST} was altered: it lists 'a.csv' twice" in refusal(path)


def test_a_file_that_is_packed_as_bundles_are_not_is_refused_by_name(tmp_path: Path) -> None:
    path = zipped(tmp_path / "b.zip", ("a.csv", b"1" * 100), method=zipfile.ZIP_BZIP2)
    assert "a.csv' uses a compression method that bundles do not" in refusal(path)
    data = bytearray(honest(tmp_path / "c.zip", {"a.csv": b"1"}).read_bytes())
    for head, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(head) + at] |= 1
    reseal(tmp_path / "c.zip", bytes(data))
    assert "a.csv' is encrypted" in refusal(tmp_path / "c.zip")


@given(st.data())
def test_whatever_bytes_a_stranger_changes_nothing_but_a_refusal_comes_of_it(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    whole = bytearray(pack(FILES, PLACE))
    for _ in range(data.draw(st.integers(1, 6))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.getbasetemp() / "changed.zip"
    reseal(path, bytes(whole))
    try:
        assert unpack(path) == FILES
    except BundleError as error:
        assert len(error.findings) >= 1  # noqa: PT017  both ways are right


def test_a_zip_bomb_is_refused_by_what_it_announces(tmp_path: Path) -> None:
    data = bytes(MAX_FILE_BYTES + 1)
    path = zipped(tmp_path / "b.zip", ("a.csv", data))
    assert path.stat().st_size < 100_000
    assert "with a.csv the content is larger than a bundle may be" in refusal(path)
    half = bytes(MAX_CONTENT_BYTES // 5)
    path = zipped(tmp_path / "c.zip", *((f"{k}.csv", half) for k in range(6)))
    assert "5.csv the content is larger" in refusal(path)


def test_a_zip_that_lies_about_its_sizes_is_refused(tmp_path: Path) -> None:
    path = zipped(tmp_path / "b.zip", ("a.csv", bytes(1_000_000)))
    data = path.read_bytes()
    size = (1_000_000).to_bytes(4, "little")
    assert data.count(size) == 2
    reseal(path, data.replace(size, (10).to_bytes(4, "little")))
    assert "a.csv was altered or is damaged" in refusal(path)


def test_too_many_files_or_bytes_are_refused(tmp_path: Path) -> None:
    path = zipped(tmp_path / "b.zip", *((f"f{k}", b"") for k in range(MAX_FILES + 1)))
    assert "2,001 files; the maximum is 2,000" in refusal(path)
    large = tmp_path / "c.zip"
    large.write_bytes(bytes(MAX_BUNDLE_BYTES))
    assert "the file has 10,000,000 bytes; the limit is 9,999,999" in refusal(large)


def test_a_bundle_that_would_be_too_large_is_not_made() -> None:
    noise = random.Random(2).randbytes(MAX_BUNDLE_BYTES)
    with pytest.raises(BundleError, match=r"the largest files are big\.csv, run\.json") as caught:
        pack({"big.csv": noise, "run.json": b"{}"}, PLACE)
    assert "bundle one design with --design" in str(caught.value)


@pytest.mark.parametrize(
    ("name", "most"),
    [
        ("bundle.json", 1_000_000),
        ("run.json", 16_000_000),
        ("inputs/slot.toml", 200_000),
        ("inputs/a/Design.TOML", 200_000),
    ],
)
def test_what_a_parser_reads_whole_is_small(tmp_path: Path, name: str, most: int) -> None:
    path = honest(tmp_path / "b.zip", {name: bytes(most)})
    assert list(unpack(path)) == [name]
    path = honest(tmp_path / "c.zip", {name: bytes(most + 1)})
    told = f"{name} has {most + 1:,} bytes; the maximum in a bundle is {most:,}"
    assert told in refusal(path)
    with pytest.raises(BundleError, match="the maximum in a bundle is"):
        pack({name: bytes(most + 1)}, PLACE)
