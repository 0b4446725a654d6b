"""Tables on their own designs' netlists, before any silicon: pure, and kept by what went in."""

from harness.rehearse.cache import Cache as Cache
from harness.rehearse.cache import key_of as key_of
from harness.rehearse.continuity import fewest_tables as fewest_tables
from harness.rehearse.continuity import pins_proven as pins_proven
from harness.rehearse.continuity import unconvicted as unconvicted
from harness.rehearse.gates import STATES as STATES
from harness.rehearse.gates import Gates as Gates
from harness.rehearse.gates import judge_each as judge_each
from harness.rehearse.gates import power_up as power_up
from harness.rehearse.hypotheses import Hypothesis as Hypothesis
from harness.rehearse.hypotheses import Trial as Trial
from harness.rehearse.hypotheses import trials as trials
from harness.rehearse.predict import Key as Key
from harness.rehearse.predict import Predictions as Predictions
from harness.rehearse.predict import TablePrediction as TablePrediction
from harness.rehearse.predict import kept_predictions as kept_predictions
from harness.rehearse.predict import predict as predict
from harness.rehearse.rehearse import Rehearser as Rehearser
from harness.rehearse.remarks import remarks as remarks
from harness.rehearse.rows import table_rows as table_rows
from harness.rehearse.wrong import Wrong as Wrong
from harness.rehearse.wrong import run_pieces as run_pieces
