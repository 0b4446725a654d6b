"""Who is to blame for what a run has seen: hypotheses, alibis, odds. Pure."""

from harness.blame.groups import alike as alike
from harness.blame.pins import board_causes as board_causes
from harness.blame.pins import prove_pins as prove_pins
from harness.blame.settle import RULES as RULES
from harness.blame.settle import settle as settle
from harness.blame.slips import slips as slips
from harness.blame.trace import buses_of as buses_of
from harness.blame.words import odds_text as odds_text
