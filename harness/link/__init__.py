"""A reliable link to a board: framing, state machine, ports, upload."""

from harness.link.address import is_remote as is_remote
from harness.link.address import names_user as names_user
from harness.link.address import shown_address as shown_address
from harness.link.channel import Channel as Channel
from harness.link.channel import Command as Command
from harness.link.channel import Traffic as Traffic
from harness.link.files import BoardFiles as BoardFiles
from harness.link.files import FileRoom as FileRoom
from harness.link.machine import Timeouts as Timeouts
from harness.link.port import Lines as Lines
from harness.link.port import Port as Port
from harness.link.port import SerialPort as SerialPort
from harness.link.port import port_group as port_group
from harness.link.upload import RawRepl as RawRepl
