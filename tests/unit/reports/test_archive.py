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

from harness.errors import BundleError, InputError
from harness_reports import LARGEST_BUNDLE, MANIFEST, name_trouble, pack, unpack
from harness_reports.archive import LARGEST_CONTENT, LARGEST_FILE, MOST_FILES

FILES = {"run.json": b"{}\n", "inputs/a/b.csv": b"clk,q\nC,H\n" * 50, "inputs/empty.v": b""}
PLACE = Path("bundle.zip")
Member = tuple[str | zipfile.ZipInfo, bytes]


def manifest(files: dict[str, bytes]) -> bytes:
    lines = [f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in files.items()]
    return "".join(lines).encode()


def zipped(path: Path, *members: Member) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members:
            archive.writestr(name, data)
    return path


def honest(path: Path, files: dict[str, bytes]) -> Path:
    """A zip with a manifest that fits it, whatever its names."""
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
    advice = "ask whoever made the bundle for it again"
    assert refusal(path).splitlines() == [
        f"{path}: error [altered-bundle] a.csv was altered; {advice}",
        f"{path}: error [altered-bundle] b.csv is missing; {advice}",
        f"{path}: error [altered-bundle] d.csv was added; {advice}",
    ]


def test_a_zip_without_a_manifest_is_no_bundle(tmp_path: Path) -> None:
    assert f"{MANIFEST} is missing" in refusal(zipped(tmp_path / "b.zip", ("run.json", b"{}")))


def test_a_flipped_byte_in_the_content_is_refused_by_name(tmp_path: Path) -> None:
    data = bytearray(pack({"a.csv": random.Random(1).randbytes(4000)}, PLACE))
    data[2000] ^= 1
    path = tmp_path / "b.zip"
    path.write_bytes(data)
    assert "a.csv was altered" in refusal(path)


def test_no_flipped_byte_changes_what_is_read(tmp_path: Path) -> None:
    whole = pack(FILES, PLACE)
    path = tmp_path / "b.zip"
    for place in range(0, len(whole), 5):
        data = bytearray(whole)
        data[place] ^= 0x41
        path.write_bytes(data)
        try:
            assert unpack(path) == FILES  # a byte that means nothing, such as a time
        except BundleError:
            continue


def test_a_file_cut_short_or_no_zip_at_all_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "b.zip"
    for data in (b"", b"no zip", pack(FILES, PLACE)[:-30], pack(FILES, PLACE)[:200]):
        path.write_bytes(data)
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
    assert "a is a file and a folder" in refusal(path)


@pytest.mark.parametrize(("flag", "told"), [(0x800, "not UTF-8"), (0, "does not say it is UTF-8")])
def test_a_name_that_is_no_utf_8_is_refused(tmp_path: Path, flag: int, told: str) -> None:
    path = honest(tmp_path / "b.zip", {"\u00e9\u00e9.csv": b"1"})
    data = bytearray(path.read_bytes().replace("\u00e9\u00e9".encode(), b"\xff\xfe\xff\xfe"))
    for head, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = data.index(head) + at
        data[place : place + 2] = flag.to_bytes(2, "little")
    path.write_bytes(data)
    told_all = refusal(path)
    assert f"a name that {'is ' if flag else ''}{told}" in told_all
    assert ".csv" in told_all


def test_a_sum_that_is_listed_twice_is_refused(tmp_path: Path) -> None:
    sums = manifest({"a.csv": b"9"}) + manifest({"a.csv": b"1"})
    path = zipped(tmp_path / "b.zip", ("a.csv", b"1"), (MANIFEST, sums))
    assert f"{MANIFEST} was altered: it lists 'a.csv' twice" in refusal(path)


def test_a_file_that_is_packed_as_bundles_are_not_is_refused_by_name(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "b.zip", "w", zipfile.ZIP_BZIP2) as archive:
        archive.writestr("a.csv", b"1" * 100)
    assert "a.csv' is packed in a way that bundles are not" in refusal(tmp_path / "b.zip")
    data = bytearray(honest(tmp_path / "c.zip", {"a.csv": b"1"}).read_bytes())
    for head, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(head) + at] |= 1
    (tmp_path / "c.zip").write_bytes(data)
    assert "a.csv' is encrypted" in refusal(tmp_path / "c.zip")


@given(st.data())
def test_whatever_bytes_a_stranger_changes_nothing_but_a_refusal_comes_of_it(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    whole = bytearray(pack(FILES, PLACE))
    for _ in range(data.draw(st.integers(1, 6))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.getbasetemp() / "changed.zip"
    path.write_bytes(whole)
    try:
        assert unpack(path) == FILES
    except BundleError as error:
        assert len(error.findings) >= 1  # noqa: PT017  both ways are right


def test_a_zip_bomb_is_refused_by_what_it_announces(tmp_path: Path) -> None:
    data = bytes(LARGEST_FILE + 1)
    path = zipped(tmp_path / "b.zip", ("a.csv", data))
    assert path.stat().st_size < 100_000
    assert "a.csv makes the content larger than a bundle may be" in refusal(path)
    half = bytes(LARGEST_CONTENT // 5)
    path = zipped(tmp_path / "c.zip", *((f"{k}.csv", half) for k in range(6)))
    assert "5.csv makes the content larger" in refusal(path)


def test_a_zip_that_lies_about_its_sizes_is_refused(tmp_path: Path) -> None:
    path = zipped(tmp_path / "b.zip", ("a.csv", bytes(1_000_000)))
    data = path.read_bytes()
    size = (1_000_000).to_bytes(4, "little")
    assert data.count(size) == 2
    path.write_bytes(data.replace(size, (10).to_bytes(4, "little")))
    assert "a.csv was altered or is damaged" in refusal(path)


def test_too_many_files_or_bytes_are_refused(tmp_path: Path) -> None:
    path = zipped(tmp_path / "b.zip", *((f"f{k}", b"") for k in range(MOST_FILES + 1)))
    assert "2,001 files, 2,000 are possible" in refusal(path)
    large = tmp_path / "c.zip"
    large.write_bytes(bytes(LARGEST_BUNDLE))
    assert "the file has 10,000,000 bytes; it may have 9,999,999" in refusal(large)


def test_a_bundle_that_would_be_too_large_is_not_made() -> None:
    noise = random.Random(2).randbytes(LARGEST_BUNDLE)
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
    told = f"{name} has {most + 1:,} bytes; in a bundle it may have {most:,}"
    assert told in refusal(path)
    with pytest.raises(BundleError, match="in a bundle it may have"):
        pack({name: bytes(most + 1)}, PLACE)


def test_bytes_before_or_behind_the_archive_are_refused(tmp_path: Path) -> None:
    whole = pack(FILES, PLACE)
    path = tmp_path / "b.zip"
    path.write_bytes(b"#!/bin/sh\n" + whole)
    assert "there are bytes before inputs/a/b.csv, which no checksum covers" in refusal(path)
    path.write_bytes(whole + b"\n")
    assert "[damaged-bundle]" in refusal(path) or "behind the archive" in refusal(path)


def test_comments_and_extra_fields_are_refused(tmp_path: Path) -> None:
    def written(name: str, change: str) -> Path:
        info = zipfile.ZipInfo("a.csv")
        info.comment, info.extra = {
            "comment": (b"psst", b""),
            "extra": (b"", b"\x99\x99\x04\x00psst"),
            "archive": (b"", b""),
        }[change]
        with zipfile.ZipFile(tmp_path / name, "w") as archive:
            archive.writestr(info, b"1")
            archive.writestr(MANIFEST, manifest({"a.csv": b"1"}))
            archive.comment = b"psst" if change == "archive" else b""
        return tmp_path / name

    for change, told in (
        ("comment", "a.csv has a comment"),
        ("extra", "a.csv has an extra field"),
        ("archive", "the archive has a comment"),
    ):
        assert f"{told}, which no checksum covers" in refusal(written(f"{change}.zip", change))


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_bytes_between_and_behind_contents_are_refused(tmp_path: Path, method: int) -> None:
    path = tmp_path / "b.zip"
    files = {"a.csv": b"1" * 60}
    with zipfile.ZipFile(path, "w", method) as archive:
        archive.writestr("a.csv", files["a.csv"])
        archive.writestr(MANIFEST, manifest(files))
        start, first = archive.start_dir, archive.getinfo("a.csv")
    whole = path.read_bytes()
    end = 30 + len("a.csv") + first.compress_size
    second = whole.index(b"PK\x03\x04", 4)
    assert second == end

    def moved(data: bytes, place: int) -> bytes:
        """The archive with four bytes put in at a place, and directory offsets that fit."""
        data = data[:place] + b"psst" + data[place:]
        tail = len(data) - 6
        return data[:tail] + (start + 4).to_bytes(4, "little") + data[tail + 4 :]

    def second_moved(data: bytes) -> bytes:
        old = second.to_bytes(4, "little") + MANIFEST.encode()
        assert data.count(old) == 1
        return data.replace(old, (second + 4).to_bytes(4, "little") + MANIFEST.encode())

    between = second_moved(moved(whole, end))
    path.write_bytes(between)
    assert f"there are bytes before {MANIFEST}" in refusal(path)
    longer = bytearray(between)
    size = (first.compress_size + 4).to_bytes(4, "little")
    longer[18:22] = size
    line = between.index(b"PK\x01\x02")
    longer[line + 20 : line + 24] = size
    path.write_bytes(longer)
    assert "a.csv has bytes behind its content" in refusal(path)
    path.write_bytes(moved(whole, start))
    assert "there are bytes between the files and the archive's directory" in refusal(path)


def test_an_extra_field_that_the_directory_hides_is_refused_too(tmp_path: Path) -> None:
    path = honest(tmp_path / "b.zip", {"a.csv": b"1"})
    data = path.read_bytes()
    with zipfile.ZipFile(path) as archive:
        start, second = archive.start_dir, archive.getinfo(MANIFEST).header_offset
    name_end = 30 + len("a.csv")
    hidden = data[:28] + (8).to_bytes(2, "little") + data[30:name_end] + b"\x99\x99\x04\x00psst"
    rest = data[name_end:-6] + (start + 8).to_bytes(4, "little") + data[-2:]
    old = second.to_bytes(4, "little") + MANIFEST.encode()
    assert rest.count(old) == 1
    moved = rest.replace(old, (second + 8).to_bytes(4, "little") + MANIFEST.encode())
    path.write_bytes(hidden + moved)
    assert "a.csv has an extra field, which no checksum covers" in refusal(path)
