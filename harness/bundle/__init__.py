"""Bundles for tickets: a chip's evidence and its inputs in one file, and running that again."""

from harness.bundle.archive import MAX_FILE_BYTES, unpack
from harness.bundle.compare import Comparison, Likeness, compare
from harness.bundle.contents import INPUTS, RUN, altered_inputs
from harness.bundle.find import Places, find_input
from harness.bundle.make import MadeBundle, make_bundle
from harness.bundle.opened import Opened, findings_at, lay_out

__all__ = [
    "INPUTS",
    "MAX_FILE_BYTES",
    "RUN",
    "Comparison",
    "Likeness",
    "MadeBundle",
    "Opened",
    "Places",
    "altered_inputs",
    "compare",
    "find_input",
    "findings_at",
    "lay_out",
    "make_bundle",
    "unpack",
]
