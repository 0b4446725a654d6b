"""Tables on their own designs' netlists, before any silicon: pure, and kept by what went in."""

from harness.rehearse.cache import Cache, key_of
from harness.rehearse.rows import table_rows

__all__ = [
    "Cache",
    "key_of",
    "table_rows",
]
