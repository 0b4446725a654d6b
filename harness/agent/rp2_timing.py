"""The timing of a cycle of the RP2040's PIO: its programs, worked out for a cycle's length.

Pure arithmetic in ticks of the system clock. One rule: a cycle takes exactly ``ticks``, and its
outputs are read exactly ``read`` ticks after the last edge.

Instructions are encoded after the RP2040 datasheet, section 3.4 (from memory, confirmed by two
emulators). There are two pairs of programs. The counted ones run ``y + 1`` vectors and halt, so
that a stall in the middle leaves a trace; they reach about 100 ticks. The looped ones wait in
loops of ``x`` passes and stop when the words run out; they reach every length above that.
"""

from __future__ import annotations

PLAIN_TICKS = 4
"""The shortest cycle without a clock pulse: drive, two ticks, read."""
PULSED_TICKS = 6
"""The shortest cycle with a clock pulse: drive, pulse, back, two ticks, read."""
SYNC_TICKS = 2
"""Delay of the input synchroniser: the level read was on the pin this many ticks before."""
MIN_READ = 3
"""Minimum number of ticks from the instruction that moves a pin to one that sees the answer."""
MAX_LOOP = 1057
"""Maximum number of ticks from the last edge to reading with a loop of fixed length."""

OUT_PINS = 0x6000
OUT_X = 0x6020
OUT_Y = 0x6040
OUT_NULL = 0x6060
OUT_PINDIRS = 0x6080
IN_PINS = 0x4000
GO = 0x0000
GO_Y_DOWN = 0x0080
MOV_PINS_X = 0xA001
MOV_PINS_Y = 0xA002
MOV_PINS_ISR = 0xA006
MOV_Y_X = 0xA041
MOV_ISR_Y = 0xA0C2
NOTHING = 0xA042
SET_Y = 0xE040
PULL_IF_EMPTY = 0x80E0


class Layout:
    """A cycle as the hardware runs it: a program, its loop count and its times.

    ``ticks`` is the length of the cycle, ``read`` the time from the last edge to the IN
    instruction, ``words`` the number of words a vector takes. ``x`` is the loop count, None for a
    program that counts vectors.
    """

    def __init__(
        self, program: list[int], words: int, x: int | None, ticks: int, read: int
    ) -> None:
        self.program = program
        self.words = words
        self.x = x
        self.ticks = ticks
        self.read = read


def least_ticks(words: int, settle: int, read: int) -> int:
    """Return the shortest cycle with ``settle`` ticks to settle; ``read`` as in a layout, or 0."""
    if words == 1:
        return max(PLAIN_TICKS, settle + MIN_READ if settle else 0)
    if not settle:
        return PULSED_TICKS
    return 3 * settle + max(9, read + 2)


def layout(words: int, ticks: int, settle: int, sample: int) -> Layout:
    """Work out a cycle of ``ticks``, or of the minimum where that is too short.

    ``sample`` is the ticks from the last edge to the moment read, 0 for as late as the cycle
    allows; one that does not fit in the cycle is taken as late as it allows.
    """
    read = max(MIN_READ, sample + SYNC_TICKS, settle + SYNC_TICKS) if sample else 0
    ticks = max(ticks, least_ticks(words, settle, read))
    if words == 1:
        return plain(ticks, read)
    return pulsed(ticks, read)


def plain(ticks: int, read: int) -> Layout:
    """Work out a cycle of one word: drive, wait, read."""
    last = ticks - 1
    if not read or read > last:
        read = last
    if read <= 64 and last - read <= 31:
        a, b = shared(read - 2, 2)
        program = [OUT_PINS | a, GO_Y_DOWN | b | 4, IN_PINS, GO | 3, IN_PINS | delay(last - read)]
        return Layout(program, 1, None, ticks, read)
    if read > MAX_LOOP and last - read > 31:
        read = last
    if last - read <= 31:
        program = [OUT_PINS, MOV_Y_X, GO_Y_DOWN | 2, IN_PINS | delay(last - read)]
        return Layout(program, 1, read - 3, ticks, read)
    a, n, d = fixed_loop(read - 2)
    program = [OUT_PINS | a, SET_Y | n, GO_Y_DOWN | d | 2, IN_PINS, MOV_Y_X, GO_Y_DOWN | 5]
    return Layout(program, 1, ticks - read - 3, ticks, read)


def pulsed(ticks: int, read: int) -> Layout:
    """Work out a cycle of two words: drive, wait, pulse, wait, back, wait, read; equal parts."""
    rest = max(4, ticks - 2 * (ticks // 3))
    lead = (ticks - rest) // 2
    high = ticks - rest - lead
    if not read or read > rest - 1:
        read = 0
    k = read or rest - 1
    if lead <= 32 and high <= 32 and k <= 96 and rest - 1 - k <= 31:
        return Layout(counted_pulse(lead, high, rest, k), 2, None, ticks, k)
    if not read or read > MAX_LOOP:
        x = (ticks - 12) // 3
        spare = ticks - 12 - 3 * x
        program = looped_pulse(0, [MOV_PINS_ISR | delay(spare), MOV_Y_X, GO_Y_DOWN | 10, IN_PINS])
        return Layout(program, 2, x, ticks, x + 3 + spare)
    x = (ticks - 11 - read) // 3
    a, n, d = fixed_loop(read - 2)
    tail = [MOV_PINS_ISR | a, SET_Y | n, GO_Y_DOWN | d | 10, IN_PINS, MOV_Y_X, GO_Y_DOWN | 13]
    return Layout(looped_pulse(ticks - 11 - read - 3 * x, tail), 2, x, ticks, read)


def counted_pulse(lead: int, high: int, rest: int, read: int) -> list[int]:
    """The program of short cycles with a pulse; X holds the levels and is refilled on the way."""
    c, d, e = shared(read - 3, 3)
    return [
        MOV_PINS_X | delay(lead - 1),
        OUT_PINS | delay(high - 1),
        MOV_PINS_X | c,
        GO_Y_DOWN | d | 7,
        NOTHING | e,
        IN_PINS,
        GO | 6,
        OUT_X | e,
        IN_PINS | delay(rest - 1 - read),
    ]


def looped_pulse(spare: int, tail: list[int]) -> list[int]:
    """The program of long cycles with a pulse; ISR keeps the levels until the pins are read."""
    head = [OUT_Y, MOV_ISR_Y, MOV_PINS_Y | delay(spare), MOV_Y_X, GO_Y_DOWN | 4]
    return head + [OUT_PINS, MOV_Y_X, GO_Y_DOWN | 7] + tail


def fraction(above: int, below: int) -> tuple[int, int]:
    """Return a fraction in lowest terms, or rounded up to whole ones if 32 bits cannot hold it."""
    one, other = above, below
    while other:
        one, other = other, one % other
    if above // one > 0xFFFFFFFF:
        return (above + below - 1) // below, 1
    return above // one, below // one


def delay(ticks: int) -> int:
    """The bits that make an instruction take ``ticks`` more (0 to 31)."""
    return ticks << 8


def shared(ticks: int, parts: int) -> list[int]:
    """Delays of ``parts`` instructions that add up to ``ticks``."""
    delays = []
    for _ in range(parts):
        delays.append(delay(min(ticks, 31)))
        ticks -= min(ticks, 31)
    return delays


def fixed_loop(ticks: int) -> tuple[int, int, int]:
    """(delay before, passes minus one, delay in each) of a loop."""
    if ticks < 32:
        return 0, ticks - 1, 0
    return delay(ticks % 32), ticks // 32 - 1, delay(31)
