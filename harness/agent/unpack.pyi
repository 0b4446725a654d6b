"""Types of ``unpack.py``, which itself keeps to what MicroPython understands."""

from array import array
from collections.abc import Callable

from _typeshed import ReadableBuffer

inflate: Callable[[ReadableBuffer, bytearray | memoryview], int] | None

def unmatch(source: ReadableBuffer, target: ReadableBuffer, job: array[int]) -> int: ...
