"""Decompresses the body of a block, an LZ4 block.

After Y. Collet, "LZ4 Block Format Description": a token with two lengths, literals, and the
distance back to the match. One rule: this module does not know what is inside a body.
"""

from __future__ import annotations

from .cpython import micropython, ptr8, ptr32
from .faces import Bytes, Words


@micropython.viper
def unmatch(source: Bytes, target: Bytes, job: Words) -> int:
    """Expand an LZ4 block; ``job`` is its length, room in ``target``. Return the length, or 0."""
    s = ptr8(source)
    t = ptr8(target)
    j = ptr32(job)
    end = int(j[0])
    size = int(j[1])
    at = 0
    out = 0
    while at < end:
        token = int(s[at])
        at += 1
        part = 0
        while part < 2:
            run = (token & 15) + 4 if part else token >> 4
            back = out - int(s[at]) - (int(s[at + 1]) << 8) if part else 0
            at += 2 * part
            more = 255 if run == 15 + 4 * part else 0
            while more == 255:
                more = int(s[at])
                at += 1
                run += more
            run += out
            if run > size:
                return 0
            if part:
                while out < run:
                    t[out] = t[back]
                    out += 1
                    back += 1
            else:
                while out < run:
                    t[out] = s[at]
                    out += 1
                    at += 1
            part = part + 1 if at < end else 2
    return out
