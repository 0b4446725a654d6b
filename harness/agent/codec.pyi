"""Types of ``codec.py``, which itself keeps to what MicroPython understands."""

from array import array

from _typeshed import ReadableBuffer

from .faces import Address

class Block:
    size: int
    drive: array[int]
    enable: array[int]
    pulse: array[int]
    expect: array[int]
    care: array[int]
    highz: array[int]
    repeat: array[int]
    fields: list[array[int]]
    def __init__(self, size: int) -> None: ...
    filled: list[int | None]
    base: array[int]
    widths: list[int] | None
    ways: list[dict[int, array[int]]]
    plane: array[int]
    table: array[int]
    def forget(self) -> None: ...
    def load_words(self, body: ReadableBuffer, count: int) -> None: ...
    def load_layout(self, body: bytes | bytearray | memoryview) -> int: ...
    def load_planes(self, body: bytes | bytearray | memoryview, at: int, count: int) -> None: ...
    def settle(self, ways: dict[int, array[int]], byte: int, base: array[int]) -> None: ...
    def hold(self, k: int, level: int | None) -> None: ...
    def expand_plane(
        self, body: bytes | bytearray | memoryview, at: int, count: int, width: int
    ) -> Address: ...
    def load(self, body: bytes | bytearray | memoryview, count: int) -> None: ...

def body_size(count: int) -> int: ...
