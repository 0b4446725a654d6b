"""A stand-in for MicroPython's ``machine`` module: pins on wires that simple logic drives.

Not a model of any controller. Only what ``pins_generic`` uses, with the meaning that the
MicroPython reference gives it (library/machine.Pin). Runs on CPython and MicroPython.
"""


class Net:
    """One wire: ``chip`` is the level that the other side drives, or None for nothing."""

    def __init__(self):
        self.chip = None
        self.watchers = []

    def changed(self, level):
        for watch in self.watchers:
            watch(level)


NETS = {}
LOG = []


def net(number):
    """The wire on controller pin ``number``."""
    if number not in NETS:
        NETS[number] = Net()
    return NETS[number]


class Pin:
    """``machine.Pin``."""

    IN = 0
    OUT = 1
    PULL_UP = 1
    PULL_DOWN = 2

    def __init__(self, number, mode=0, pull=-1):
        self.number = number
        self.out = 0
        self.init(mode, pull)

    def init(self, mode, pull=-1, value=None):
        self.mode = mode
        self.pull = pull
        if value is not None:
            self.out = value
        LOG.append(("init", self.number, mode, pull, value))
        if mode == Pin.OUT:
            net(self.number).changed(self.out)

    def value(self, level=None):
        if level is not None:
            self.out = level
            LOG.append(("value", self.number, level))
            if self.mode == Pin.OUT:
                net(self.number).changed(level)
            return None
        if self.mode == Pin.OUT:
            return self.out
        chip = net(self.number).chip
        if chip is not None:
            return chip() if callable(chip) else chip
        if self.pull == Pin.PULL_UP:
            return 1
        return 0

    def __call__(self, level=None):
        return self.value(level)


READINGS = {}


class ADC:
    """``machine.ADC``: each pin's readings come round and round."""

    def __init__(self, pin):
        self.number = pin.number
        self.at = 0

    def read_u16(self):
        readings = READINGS[self.number]
        self.at += 1
        return readings[(self.at - 1) % len(readings)]


def unique_id():
    return b"\xe6\x60\x0a"
