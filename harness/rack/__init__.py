"""Racks of boards: the rack file and the scheduling of sessions."""

from harness.rack.boundary import LOG, harmless, leave, within
from harness.rack.events import (
    Event,
    Observer,
    RackNews,
    SlotConnecting,
    SlotFinished,
    SlotRecovering,
    TableJudged,
    TableStarted,
    unobserved,
)
from harness.rack.file import check_port, check_rack, chip_serial_trouble, load_rack, single_slot
from harness.rack.known import answered, unreached
from harness.rack.lock import Locks, held
from harness.rack.model import VIRTUAL_PORT, Rack, Slot
from harness.rack.modelled import ModelledSession, check_rack_models
from harness.rack.port_check import PortCheck, examine_port, who_answers
from harness.rack.ports import SerialPort, find_port, needs_place, serial_ports
from harness.rack.power import PowerCycle
from harness.rack.reach import Reacher
from harness.rack.reaching import Reach, SupplyUse, reach, reachable
from harness.rack.schedule import SlotWork, interrupts_stop, run_slots
from harness.rack.slot_file import load_virtual_slot
from harness.rack.worker import BoardSession, Opener, Sink, SlotWorker, StopSwitch

__all__ = [
    "LOG",
    "VIRTUAL_PORT",
    "BoardSession",
    "Event",
    "Locks",
    "ModelledSession",
    "Observer",
    "Opener",
    "PortCheck",
    "PowerCycle",
    "Rack",
    "RackNews",
    "Reach",
    "Reacher",
    "SerialPort",
    "Sink",
    "Slot",
    "SlotConnecting",
    "SlotFinished",
    "SlotRecovering",
    "SlotWork",
    "SlotWorker",
    "StopSwitch",
    "SupplyUse",
    "TableJudged",
    "TableStarted",
    "answered",
    "check_port",
    "check_rack",
    "check_rack_models",
    "chip_serial_trouble",
    "examine_port",
    "find_port",
    "harmless",
    "held",
    "interrupts_stop",
    "leave",
    "load_rack",
    "load_virtual_slot",
    "needs_place",
    "reach",
    "reachable",
    "run_slots",
    "serial_ports",
    "single_slot",
    "unobserved",
    "unreached",
    "who_answers",
    "within",
]
