"""JSON text of bodies, as the database keeps it.

One rule: whatever text a record holds can be kept, also the half of a surrogate pair that stands
for an odd byte in a file's name; the quick library refuses that, so the standard one does it.
"""

from __future__ import annotations

import json
from typing import Any

import orjson


def to_text(value: Any) -> str:
    """Return JSON text; raises TypeError for what has no JSON."""
    try:
        return orjson.dumps(value).decode()
    except TypeError:  # orjson.JSONEncodeError is one: a lone surrogate, an integer over 64 bits
        return json.dumps(value, allow_nan=False)


def to_value(text: str | bytes) -> Any:
    """Return what JSON text says; raises ValueError if it is none."""
    try:
        return orjson.loads(text)
    except orjson.JSONDecodeError:
        return json.loads(text)
