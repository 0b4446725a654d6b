"""Results by key: what was put there comes back unchanged, or nothing does."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.rehearse import Cache, key_of

KEY = key_of("a")


def test_what_was_put_there_comes_back_also_to_another_process(tmp_path: Path) -> None:
    Cache(tmp_path / "new" / "folder").put(KEY, b"result")
    assert Cache(tmp_path / "new" / "folder").get(KEY) == b"result"
    assert Cache(tmp_path).get(KEY) is None


def test_a_later_result_replaces_an_earlier_one(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    cache.put(KEY, b"first")
    cache.put(KEY, b"second")
    assert cache.get(KEY) == b"second"
    assert [path.name for path in tmp_path.iterdir()] == [KEY]


@given(st.data())
def test_a_damaged_entry_is_no_entry(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("cache", numbered=True)
    cache = Cache(folder)
    cache.put(KEY, b"the result of a long calculation")
    whole = (folder / KEY).read_bytes()
    place = data.draw(st.integers(0, len(whole) - 1))
    flipped = bytes([whole[place] ^ data.draw(st.integers(1, 255))])
    damaged = data.draw(
        st.sampled_from([whole[:place], whole + b"x", whole[:place] + flipped + whole[place + 1 :]])
    )
    (folder / KEY).write_bytes(damaged)
    assert cache.get(KEY) is None
    cache.put(KEY, b"again")
    assert cache.get(KEY) == b"again"


def test_an_entry_under_another_name_is_no_entry(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    cache.put(KEY, b"result")
    (tmp_path / KEY).rename(tmp_path / key_of("b"))
    assert cache.get(key_of("b")) is None


def test_the_entries_used_longest_ago_make_room(tmp_path: Path) -> None:
    keys = [key_of(str(number)) for number in range(20)]
    for second, key in enumerate(keys):
        Cache(tmp_path, 10_000).put(key, bytes(900))
        os.utime(tmp_path / key, (second, second))
    cache = Cache(tmp_path, 10_000)
    assert [cache.get(key) is not None for key in keys] == [False] * 10 + [True] * 10
    for second, key in enumerate([*keys[11:], keys[10]]):
        os.utime(tmp_path / key, (second, second))
    cache.put(key_of("new"), bytes(900))
    assert {path.name for path in tmp_path.iterdir()} == {*keys[12:], keys[10], key_of("new")}


def test_one_process_that_writes_much_keeps_the_bound(tmp_path: Path) -> None:
    cache = Cache(tmp_path, 10_000)
    for number in range(100):
        cache.put(key_of(str(number)), bytes(400))
        assert sum(path.stat().st_size for path in tmp_path.iterdir()) < 11_250
    cache.put(KEY, bytes(10_000))
    assert cache.get(KEY) is None


@pytest.mark.parametrize("blocked", ["file", "pipe", "folder"])
def test_a_place_where_nothing_can_be_kept_is_no_error(tmp_path: Path, blocked: str) -> None:
    place = tmp_path / "cache"
    if blocked == "file":
        place.write_text("not a folder")
    else:
        place.mkdir()
        (os.mkfifo if blocked == "pipe" else Path.mkdir)(place / KEY)
    cache = Cache(place)
    assert cache.get(KEY) is None
    cache.put(KEY, b"result")
    assert cache.get(KEY) == (b"result" if blocked == "pipe" else None)


def test_an_interrupted_write_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(path: Path, target: Path) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        Cache(tmp_path).put(KEY, b"result")
    assert not list(tmp_path.iterdir())


def test_a_key_depends_on_every_part_and_on_where_one_ends() -> None:
    keys = {key_of("ab", "c"), key_of("a", "bc"), key_of("abc"), key_of("c", "ab"), key_of()}
    assert len(keys) == 5
    assert key_of("ä") == key_of("ä".encode())
