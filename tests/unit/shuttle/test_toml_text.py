"""TOML that is written means what was read."""

from __future__ import annotations

import tomllib
from datetime import date

from hypothesis import given
from hypothesis import strategies as st

from harness.shuttle import toml_text

TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
PLAIN: st.SearchStrategy[object] = st.one_of(
    TEXT,
    st.booleans(),
    st.integers(-(2**63), 2**63 - 1),
    st.dates(date(1, 1, 1)),
    st.floats(allow_nan=False),
)
VALUE = st.recursive(
    PLAIN, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3)
)


@given(st.dictionaries(TEXT, VALUE, max_size=4))
def test_what_is_written_reads_back_the_same(values: dict[str, object]) -> None:
    assert tomllib.loads(toml_text(values)) == values
