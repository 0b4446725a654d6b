"""``python -m harness`` is the command ``harness``."""

import sys

from harness.cli import main

sys.exit(main())
