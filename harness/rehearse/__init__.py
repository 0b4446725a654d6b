"""Tables on their own designs' netlists, before any silicon: pure, and kept by what went in."""

from harness.rehearse.cache import Cache, key_of
from harness.rehearse.hypotheses import Hypothesis, Trial, trials
from harness.rehearse.predict import Key, Predictions, TablePrediction, predict
from harness.rehearse.rows import table_rows

__all__ = [
    "Cache",
    "Hypothesis",
    "Key",
    "Predictions",
    "TablePrediction",
    "Trial",
    "key_of",
    "predict",
    "table_rows",
    "trials",
]
