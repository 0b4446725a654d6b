"""The shelf of encoded patterns: the same blocks as fresh ones, encoded once for all boards."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace

import pytest

from harness.board import shelf
from harness.board.encode import EncodedBlock, encode_pattern
from harness.board.shelf import Shelf
from harness.table import Pattern
from tests.unit.agent.tern import random_pattern


@pytest.fixture
def encoded(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """First rows of the blocks that were encoded, as they are."""
    firsts: list[int] = []

    def counting(pattern: Pattern, rows: int) -> Iterator[EncodedBlock]:
        for block in encode_pattern(pattern, rows):
            firsts.append(block.first)
            yield block

    monkeypatch.setattr(shelf, "encode_pattern", counting)
    return firsts


def test_the_shelf_gives_what_the_encoder_gives(encoded: list[int]) -> None:
    pattern = random_pattern(3, 300)
    kept = Shelf()
    fresh = list(encode_pattern(pattern, 64))
    assert list(kept.encoded(pattern, 64)) == fresh
    assert list(kept.encoded(replace(pattern), 64)) == fresh
    assert len(encoded) == len(fresh)


def test_other_words_or_room_are_encoded_again(encoded: list[int]) -> None:
    pattern = random_pattern(3, 300)
    kept = Shelf()
    changed = pattern.drive.copy()
    changed[200] ^= 1
    for other, rows in ((pattern, 64), (pattern, 128), (replace(pattern, drive=changed), 64)):
        found = list(kept.encoded(other, rows))
        assert found == list(encode_pattern(other, rows))
    assert encoded.count(0) == 3


def test_many_threads_that_ask_at_once_encode_each_block_once(encoded: list[int]) -> None:
    pattern = random_pattern(5, 2000)
    kept = Shelf()
    found: list[list[EncodedBlock]] = []
    start = threading.Barrier(8)

    def ask() -> None:
        start.wait()
        found.append(list(kept.encoded(pattern, 64)))

    threads = [threading.Thread(target=ask) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 8
    assert all(blocks == found[0] for blocks in found)
    assert sorted(encoded) == sorted(set(encoded))


def test_an_interrupted_encoder_starts_again_at_the_next_request(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pattern = random_pattern(5, 600)
    interrupts = iter([False, False, True])

    def interrupted(pattern: Pattern, rows: int) -> Iterator[EncodedBlock]:
        for block in encode_pattern(pattern, rows):
            if next(interrupts, False):
                raise KeyboardInterrupt
            yield block

    monkeypatch.setattr(shelf, "encode_pattern", interrupted)
    kept = Shelf()
    with pytest.raises(KeyboardInterrupt):
        list(kept.encoded(pattern, 64))
    fresh = list(encode_pattern(pattern, 64))
    assert list(kept.encoded(pattern, 64)) == fresh


def test_nothing_is_encoded_before_it_is_requested(encoded: list[int]) -> None:
    blocks = Shelf().encoded(random_pattern(5, 2000), 64)
    assert encoded == []
    next(blocks)
    assert encoded == [0]


def test_the_shelf_drops_what_was_used_longest_ago(
    encoded: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shelf, "MAX_PATTERNS", 2)
    kept = Shelf()
    one, two, three = (random_pattern(seed, 10) for seed in (1, 2, 3))
    for pattern in (one, two, one, three, one):
        list(kept.encoded(pattern, 64))
    assert len(encoded) == 3
    list(kept.encoded(two, 64))
    assert len(encoded) == 4


def test_very_long_patterns_do_not_stay(
    encoded: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shelf, "MAX_VECTORS", 9)
    kept = Shelf()
    for _ in range(2):
        list(kept.encoded(random_pattern(1, 10), 64))
    assert len(encoded) == 2
