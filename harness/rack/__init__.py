"""Racks of boards: the rack file and the scheduling of sessions."""

from harness.rack.boundary import LOG, harmless, within
from harness.rack.cases import Job, cases, read_jobs, usable
from harness.rack.continuity import PREDICTING, ContinuityTest, continuity_test, split_key
from harness.rack.events import (
    CyclesDone,
    Event,
    Observer,
    RackNews,
    SlotConnecting,
    SlotFinished,
    SlotRecovering,
    TableJudged,
    TableStarted,
    as_news,
    unobserved,
)
from harness.rack.file import check_port, check_rack, load_rack, load_virtual_slot, single_slot
from harness.rack.lock import Locks, held
from harness.rack.model import VIRTUAL_PORT, Rack, Slot, unreached
from harness.rack.modelled import ModelledSession, check_rack_models
from harness.rack.policy import Policy, RunMeans
from harness.rack.port_check import PortCheck, examine_port, who_answers
from harness.rack.ports import SerialPort, needs_place, serial_ports
from harness.rack.reaching import SupplyUse, reach, reachable
from harness.rack.session import BoardSession, Opener, StopSwitch, interrupts_stop
from harness.rack.slow import news_if_slow
from harness.rack.station import AGAIN, Station
from harness.rack.under_way import LongTable, UnderWay, long_tables
from harness.rack.worker import SlotWorker, not_back, run_slots

__all__ = [
    "AGAIN",
    "LOG",
    "PREDICTING",
    "VIRTUAL_PORT",
    "BoardSession",
    "ContinuityTest",
    "CyclesDone",
    "Event",
    "Job",
    "Locks",
    "LongTable",
    "ModelledSession",
    "Observer",
    "Opener",
    "Policy",
    "PortCheck",
    "Rack",
    "RackNews",
    "RunMeans",
    "SerialPort",
    "Slot",
    "SlotConnecting",
    "SlotFinished",
    "SlotRecovering",
    "SlotWorker",
    "Station",
    "StopSwitch",
    "SupplyUse",
    "TableJudged",
    "TableStarted",
    "UnderWay",
    "as_news",
    "cases",
    "check_port",
    "check_rack",
    "check_rack_models",
    "continuity_test",
    "examine_port",
    "harmless",
    "held",
    "interrupts_stop",
    "load_rack",
    "load_virtual_slot",
    "long_tables",
    "needs_place",
    "news_if_slow",
    "not_back",
    "reach",
    "reachable",
    "read_jobs",
    "run_slots",
    "serial_ports",
    "single_slot",
    "split_key",
    "unobserved",
    "unreached",
    "usable",
    "who_answers",
    "within",
]
