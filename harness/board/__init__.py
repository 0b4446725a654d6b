"""Boards: their profiles, and sessions that run patterns on them."""

from harness.board.capture import (
    BoardIdentity,
    Capture,
    CaptureWindow,
    Mismatch,
    RunConditions,
)
from harness.board.gap_free import check_gap_free
from harness.board.orders import Room
from harness.board.profile import check_profile, load_profile
from harness.board.profile_model import BoardProfile, SupplySensor
from harness.board.rates import RateGrid, pattern_rates, row_words
from harness.board.resting import Resting
from harness.board.select import ParallelSelect, PulseSelect, SelectMethod, ShiftSelect
from harness.board.session import Heard, Session, open_session
from harness.board.startup import (
    MAIN,
    STARTED,
    Startup,
    bring_back,
    check_room,
    named_folder,
    put_startup,
)
from harness.board.timing import paced_timing

__all__ = [
    "MAIN",
    "STARTED",
    "BoardIdentity",
    "BoardProfile",
    "Capture",
    "CaptureWindow",
    "Heard",
    "Mismatch",
    "ParallelSelect",
    "PulseSelect",
    "RateGrid",
    "Resting",
    "Room",
    "RunConditions",
    "SelectMethod",
    "Session",
    "ShiftSelect",
    "Startup",
    "SupplySensor",
    "bring_back",
    "check_gap_free",
    "check_profile",
    "check_room",
    "load_profile",
    "named_folder",
    "open_session",
    "paced_timing",
    "pattern_rates",
    "put_startup",
    "row_words",
]
