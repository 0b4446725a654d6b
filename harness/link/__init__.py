"""A reliable link to a board: framing, state machine, ports, upload."""

from harness.link.address import is_remote, names_user, shown_address
from harness.link.channel import Channel, Command, Traffic
from harness.link.files import BoardFiles, FileRoom
from harness.link.machine import Timeouts, diagram
from harness.link.port import Lines, Port, SerialPort, port_group
from harness.link.upload import RawRepl

__all__ = [
    "BoardFiles",
    "Channel",
    "Command",
    "FileRoom",
    "Lines",
    "Port",
    "RawRepl",
    "SerialPort",
    "Timeouts",
    "Traffic",
    "diagram",
    "is_remote",
    "names_user",
    "port_group",
    "shown_address",
]
