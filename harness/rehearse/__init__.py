"""Tables on their own designs' netlists, before any silicon: pure, and kept by what went in."""

from harness.rehearse.cache import Cache, key_of
from harness.rehearse.continuity import Continuity, continuity, pins_proven
from harness.rehearse.gates import STATES, Gates, power_up
from harness.rehearse.hypotheses import Hypothesis, Trial, trials
from harness.rehearse.predict import (
    Key,
    Predictions,
    TablePrediction,
    kept_predictions,
    predict,
)
from harness.rehearse.rehearse import Rehearser
from harness.rehearse.remarks import remarks
from harness.rehearse.rows import table_rows
from harness.rehearse.wrong import Wrong, run_pieces

__all__ = [
    "STATES",
    "Cache",
    "Continuity",
    "Gates",
    "Hypothesis",
    "Key",
    "Predictions",
    "Rehearser",
    "TablePrediction",
    "Trial",
    "Wrong",
    "continuity",
    "kept_predictions",
    "key_of",
    "pins_proven",
    "power_up",
    "predict",
    "remarks",
    "run_pieces",
    "table_rows",
    "trials",
]
