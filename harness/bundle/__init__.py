"""Bundles for tickets: a chip's evidence and its inputs in one file, and running that again."""

from harness.bundle.archive import MAX_FILE_BYTES as MAX_FILE_BYTES
from harness.bundle.archive import unpack as unpack
from harness.bundle.compare import Comparison as Comparison
from harness.bundle.compare import Likeness as Likeness
from harness.bundle.compare import compare as compare
from harness.bundle.contents import INPUTS as INPUTS
from harness.bundle.contents import RUN as RUN
from harness.bundle.contents import altered_inputs as altered_inputs
from harness.bundle.find import Places as Places
from harness.bundle.find import find_input as find_input
from harness.bundle.make import MadeBundle as MadeBundle
from harness.bundle.make import make_bundle as make_bundle
from harness.bundle.opened import Opened as Opened
from harness.bundle.opened import findings_at as findings_at
from harness.bundle.opened import lay_out as lay_out
