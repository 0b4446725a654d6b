from collections.abc import Callable

class Net:
    chip: Callable[[], int] | int | None
    watchers: list[Callable[[int], None]]
    def __init__(self) -> None: ...
    def changed(self, level: int) -> None: ...

NETS: dict[int, Net]
LOG: list[tuple[object, ...]]

def net(number: int) -> Net: ...

class Pin:
    IN: int
    OUT: int
    PULL_UP: int
    PULL_DOWN: int
    number: int
    out: int
    mode: int
    pull: int | None
    def __init__(self, number: int, mode: int = 0, pull: int | None = -1) -> None: ...
    def init(self, mode: int, pull: int | None = -1, value: int | None = None) -> None: ...
    def value(self, level: int | None = None) -> int | None: ...

READINGS: dict[int, list[int]]

class ADC:
    number: int
    at: int
    def __init__(self, pin: Pin) -> None: ...
    def read_u16(self) -> int: ...

def unique_id() -> bytes: ...
