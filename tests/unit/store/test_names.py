"""Names of stores: text with ``scheme://`` is an address, all else names a file."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.cli import ExitCode, main
from harness.errors import StoreError
from harness.store import Store, store_file
from tests.unit.store.samples import heading

ODD = [
    *("100%25.sqlite", "100%.sqlite", "q?x=1.sqlite", "q#x.sqlite", "a b.sqlite", " .sqlite"),
    *("-x.sqlite", ":memory:", "file:x", "file:x?mode=memory", "sqlite:", "sqlite:x", "C:x"),
    *("Flut größer ↑.sqlite", "a;b&c=d.sqlite", "a\\b.sqlite", "'\"`$(x).sqlite", "\udcff"),
    *("a\nb.sqlite", "user:password@host", "[::1]", "sub/100%25.sqlite"),
]


@pytest.mark.parametrize("name", ODD)
def test_a_name_is_taken_literally(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with Store(name) as store:
        store.start_run(heading())
    assert [str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*") if p.is_file()] == [name]
    with Store.existing(name) as store:
        assert store.runs() == ("r1",)
    assert main(["report", f"--store={name}", f"--out={tmp_path / 'out'}"]) == ExitCode.NOT_TESTED
    assert (tmp_path / "out" / "r1" / "index.html").exists()
    assert store_file(name) == Path(name)


REFUSED = {
    "": "the store has no name; give a file or a SQLAlchemy URL",
    "a\0b": "the store has no name; give a file or a SQLAlchemy URL",
    ".": ".: this is a folder; name a file in it as the store",
    "sqlite://": "an SQLite database in memory keeps nothing; name a file as the store",
    "sqlite:///:memory:": "an SQLite database in memory keeps nothing; name a file as the store",
    "nonsense://x": "nonsense://x: results cannot be kept or read (Can't load plugin: "
    "sqlalchemy.dialects:nonsense); check the store's address and that it can be reached",
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_can_be_no_store_is_refused(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(StoreError) as caught:
        Store(name)
    assert str(caught.value) == REFUSED[name]
    assert not list(tmp_path.iterdir())


def test_an_address_of_sqlite_names_a_file_too(tmp_path: Path) -> None:
    path = tmp_path / "x.sqlite"
    with Store(f"sqlite:///{path}") as store:
        store.start_run(heading())
    assert store_file(f"sqlite:///{path}") == path
    assert path.exists()
