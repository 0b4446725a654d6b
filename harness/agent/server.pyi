"""Types of ``server.py``, which itself keeps to what MicroPython understands."""

from .engine import Engine
from .faces import PortFace
from .protocol import Deframer

class Server:
    session: int
    engine: Engine
    port: PortFace
    deframer: Deframer
    expected: int
    answers: list[bytes]
    waiting: list[bytes]
    closed: bool
    gap_told: bool
    def __init__(self, session: int, engine: Engine, port: PortFace) -> None: ...
    def serve(self) -> None: ...
    def listen(self) -> None: ...
    def look_up(self) -> None: ...
    def take(self, body: bytes) -> None: ...
    def perform(self, number: int, kind: int, payload: bytes | memoryview) -> bytes: ...
