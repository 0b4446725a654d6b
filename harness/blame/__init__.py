"""Who is to blame for what a run has seen: hypotheses, alibis, odds. Pure."""

from harness.blame.pins import board_causes, prove_pins
from harness.blame.settle import RULES, settle
from harness.blame.slips import slips, trace_of

__all__ = ["RULES", "board_causes", "prove_pins", "settle", "slips", "trace_of"]
