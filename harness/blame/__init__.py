"""Who is to blame for what a run has seen: hypotheses, alibis, odds. Pure."""

from harness.blame.groups import alike
from harness.blame.pins import board_causes, prove_pins
from harness.blame.settle import RULES, settle
from harness.blame.slips import slips
from harness.blame.trace import buses_of
from harness.blame.words import odds_text

__all__ = [
    "RULES",
    "alike",
    "board_causes",
    "buses_of",
    "odds_text",
    "prove_pins",
    "settle",
    "slips",
]
