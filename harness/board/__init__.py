"""Boards: their profiles, and sessions that run patterns on them."""

from harness.board.capture import (
    BoardIdentity,
    Capture,
    CaptureWindow,
    Mismatch,
    RunConditions,
)
from harness.board.profile import check_profile, load_profile
from harness.board.profile_model import BoardProfile, SupplySensor
from harness.board.rates import RateGrid, pattern_rates, row_words
from harness.board.select import ParallelSelect, PulseSelect, SelectMethod, ShiftSelect
from harness.board.session import Session, open_session

__all__ = [
    "BoardIdentity",
    "BoardProfile",
    "Capture",
    "CaptureWindow",
    "Mismatch",
    "ParallelSelect",
    "PulseSelect",
    "RateGrid",
    "RunConditions",
    "SelectMethod",
    "Session",
    "ShiftSelect",
    "SupplySensor",
    "check_profile",
    "load_profile",
    "open_session",
    "pattern_rates",
    "row_words",
]
