"""An element is added to a list of an author's TOML, and every other byte stays as it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import ConfigError
from harness.shuttle import with_element

FILE = Path("shuttle.toml")


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ('a = []  # none\nb = ["x"]\n', 'a = ["new"]  # none\nb = ["x"]\n'),
        ('a = ["x", "y"] # two\n', 'a = ["x", "y", "new"] # two\n'),
        ('a = ["x",]\n', 'a = ["x", "new",]\n'),
        (
            'a = [\n    "x", # one\n    # rest\n]\n',
            'a = [\n    "x",\n    "new", # one\n    # rest\n]\n',
        ),
        ('a = [\n    "x"\n]\n[t]\na = []\n', 'a = [\n    "x",\n    "new"\n]\n[t]\na = []\n'),
    ],
)
def test_an_element_is_added_as_the_list_is_written(before: str, after: str) -> None:
    assert with_element(FILE, before, "a", "new") == after


@pytest.mark.parametrize("text", ["b = []\n", 'a = "x"\n', "a = [\n", "[a]\nb = 1\n"])
def test_a_text_without_such_a_list_is_refused_with_what_to_do(text: str) -> None:
    with pytest.raises(ConfigError) as caught:
        with_element(FILE, text, "a", "new")
    assert str(caught.value) == (
        "shuttle.toml: error [toml-not-edited] a cannot be changed automatically; "
        'add "new" to a by hand'
    )
