"""Ways to send a block of vectors that were tried beside the tool's own, and what each takes.

Each candidate is a function from a block's seven fields to bytes; ``size`` counts their frames.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from harness.agent import protocol
from harness.board.encode import CHUNK
from harness.board.layout import find_layout
from harness.link.framing import make_frame
from harness.table import Words

Fields = tuple[Words, ...]
Bytes = NDArray[np.uint8]


WINDOW_BITS = 12
"""Window of 4 KiB: small enough for a small controller."""


def deflate(data: bytes) -> bytes:
    """Raw deflate in the window that the board has; as it is where that is shorter."""
    squeezer = zlib.compressobj(9, zlib.DEFLATED, -WINDOW_BITS)
    return min(squeezer.compress(data) + squeezer.flush(), data, key=len)


def by_rows(fields: Fields) -> bytes:
    """All words, vector by vector."""
    return np.stack(fields, axis=1).astype("<u4").tobytes()


def by_fields(fields: Fields) -> bytes:
    """All words, field by field."""
    return np.stack(fields).astype("<u4").tobytes()


def byte_planes(fields: Fields) -> bytes:
    """Every byte of every word as a plane: plain, exclusive or, or sum, by number of changes."""
    parts = []
    for field in fields:
        octets = field.astype("<u4").view(np.uint8).reshape(-1, 4)
        parts += [_byte_plane(np.ascontiguousarray(octets[:, k])) for k in range(4)]
    return b"".join(parts)


def _byte_plane(plane: Bytes) -> bytes:
    if (plane == plane[0]).all():
        return bytes((protocol.CONSTANT, plane[0]))
    before = np.concatenate((np.zeros(1, np.uint8), plane[:-1]))
    forms = (plane, plane ^ before, plane - before)
    changes = [int(np.count_nonzero(form[1:] != form[:-1])) for form in forms]
    mode = changes.index(min(changes))
    return bytes((mode,)) + forms[mode].tobytes()


def dictionary(fields: Fields) -> bytes:
    """The distinct rows, then the number of its row for each vector."""
    rows = np.stack(fields, axis=1).astype("<u4")
    distinct, numbers = np.unique(rows, axis=0, return_inverse=True)
    return distinct.tobytes() + numbers.reshape(-1).astype("<u2").tobytes()


def varying_rows(fields: Fields) -> bytes:
    """Only bits that vary, packed vector by vector."""
    layout = find_layout(fields)
    return layout.header() + layout.planes(fields).T.tobytes()


def varying_planes(fields: Fields) -> bytes:
    """Only bits that vary, packed plane by plane, without any form."""
    layout = find_layout(fields)
    return layout.header() + layout.planes(fields).tobytes()


CANDIDATES: dict[str, Callable[[Fields], bytes]] = {
    "words by row": by_rows,
    "words by field": by_fields,
    "distinct rows": dictionary,
    "bits by row": varying_rows,
    "bits by plane": varying_planes,
    "byte planes": byte_planes,
}
"""Each is deflated; the first is what zlib reaches on the words as they are."""


def framed(body: bytes) -> int:
    """Bytes on the wire for the body of one block."""
    head = struct.pack("<BH", 0, 0)
    cuts = [body[at : at + CHUNK] for at in range(0, max(len(body), 1), CHUNK)]
    loads = sum(len(make_frame(1, 1, protocol.LOAD, cut)) for cut in cuts[:-1])
    return loads + len(make_frame(1, 1, protocol.BLOCK, head + cuts[-1]))


def size(
    scheme: Callable[[Fields], bytes], fields: Fields, bounds: Sequence[tuple[int, int]]
) -> int:
    """Bytes on the wire for a whole run in this scheme, deflated."""
    blocks: Iterable[Fields] = (
        tuple(field[first:stop] for field in fields) for first, stop in bounds
    )
    return sum(framed(deflate(scheme(block))) for block in blocks)
