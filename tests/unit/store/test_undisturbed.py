"""The search for reference cycles is off during bulk work, and always comes back."""

from __future__ import annotations

import gc

import pytest

from harness.store.undisturbed import undisturbed


def test_the_search_is_off_inside_and_on_again_after_an_error() -> None:
    def fail() -> None:
        with undisturbed(), undisturbed():
            assert not gc.isenabled()
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    assert gc.isenabled()


def test_a_search_that_was_off_stays_off() -> None:
    gc.disable()
    try:
        with undisturbed():
            assert not gc.isenabled()
        assert not gc.isenabled()
    finally:
        gc.enable()
