"""The body of a block that is a whole run."""

from harness.board.encode import encode_bodies
from harness.table import Words


def encode_planes(fields: tuple[Words, ...]) -> bytes:
    """The body of a single block with its layout, before it is deflated."""
    (body,) = encode_bodies(fields, [(0, len(fields[0]))])
    return body
