"""Numbers as instruments write them: the response data of IEEE 488.2, and what SCPI adds.

One rule: text in, a finite number or a ValueError out; nothing is guessed.

IEEE 488.2-1992 names three forms of numeric response data: NR1 ``+5`` (section 8.7.2), NR2
``5.000`` (8.7.3), NR3 ``+5.000E+00`` (8.7.4). Real instruments also omit a digit before or after
the point, write a small ``e``, or no sign in the exponent; the standard's "forgiving listener" is
followed here, since each form is unambiguous. In SCPI-99 volume 1, section 7.2.1, 9.9E37 means
infinity and 9.91E37 "not a number": neither is a value.
"""

from __future__ import annotations

import re

INFINITY = 9.9e37
"""From here on a number is a SCPI code, not a value."""

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]?\d{1,5})?", re.ASCII)


def read_number(text: str) -> float:
    """Read one number; blanks around it are allowed. Raises ValueError with the reason."""
    stripped = text.strip(" \t")
    if not _NUMBER.fullmatch(stripped):
        raise ValueError(f'"{text}" is not an IEEE 488.2 number')
    value = float(stripped)
    if abs(value) >= INFINITY:
        raise ValueError(f'"{text}" means infinity or no value (SCPI-99)')
    return value


def read_switch(text: str) -> bool:
    """Read a boolean reply. SCPI-99 volume 1, section 7.3: it is NR1, 0 or 1."""
    value = read_number(text)
    if value not in {0.0, 1.0}:
        raise ValueError(f'"{text}" is neither 0 nor 1')
    return bool(value)
