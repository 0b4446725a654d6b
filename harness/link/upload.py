"""Loads a program into a board's memory through its interpreter's raw REPL, and starts it.

After the MicroPython reference, "The MicroPython interactive interpreter mode": Ctrl-A enters
the raw REPL, Ctrl-E A Ctrl-A asks for raw-paste mode with flow control, Ctrl-D ends a text,
Ctrl-B returns to the friendly prompt. Nothing is written to the board's file system. The board
checks the CRC-32 of each piece before it keeps it, and of the whole before it executes it, because
the raw REPL itself does not notice damaged bytes. A damaged piece is sent again, smaller. Pieces
travel in base 64, which has no Ctrl-C: it interrupts a board in the middle of a transfer.
"""

from __future__ import annotations

import binascii
import time
import zlib
from collections.abc import Callable
from contextlib import suppress

from harness.agent.protocol import ANYONE, BYE, QUANTUM
from harness.errors import BoardMisbehaved, BoardSilent
from harness.link.framing import make_frame, pad
from harness.link.port import Port
from harness.link.statements import BLOCK, BYTECODE, IMPORT, RECEIVER

PROMPT = b"raw REPL; CTRL-B to exit\r\n>"
FRIENDLY = b">>> "
PIECE = 6144
"""Bytes of a program that are sent at once; a small controller must hold them twice."""
SMALLEST = 96
"""Bytes of a piece on a wire that damages every larger one."""
PIECE_TRIES = 10
"""Maximum number of tries of a statement: enough for one damaged bit in 10,000."""
MAX_DAMAGED = 100
"""Maximum number of damaged statements of a session: a worse link would take a night."""
LOADS = 3
"""Maximum number of times that a whole program is sent."""
ANSWER_SECONDS = 2.0
"""Time for an answer without work: it takes milliseconds, and 0.1 s with a garbage collection."""
PIECE_SECONDS = 2.0
STATEMENT_SECONDS = 5.0
TRIES = 4
APART_SECONDS = 0.05
RESET_SECONDS = 0.5
"""A board stays in the raw REPL over a soft reset; the unix port ends and starts again."""

NEVER = b"no board says this \x00\x01"

WINDOW_BITS = 12
"""A larger window costs a board more memory, and makes hardly any module smaller."""

OWN_NAMES = ("_t", "_n", "_r", "gc", "sys", "binascii")
"""Names that the upload defines first: a board that lacks one has received damaged text."""


class Damaged(BoardMisbehaved):
    """All tries of a statement came back damaged by the link."""


class OutOfMemory(BoardMisbehaved):
    """The board's interpreter has no memory left; trying again does not help."""


class RawRepl:
    """A session with a board's interpreter over a port."""

    def __init__(self, port: Port) -> None:
        self._port = port
        self._piece = PIECE
        self._pending = b""
        self._asked = 0
        self._damaged = 0

    def enter(self) -> None:
        """Stop the board's program, reset its interpreter and reach the raw prompt.

        The reset frees the whole memory and gives peripherals that no program has set up.
        Raises BoardSilent when nothing comes back, BoardMisbehaved when something other than
        the interpreter's prompt does.
        """
        self.reach_prompt()
        self._port.write(b"\x04")
        again, _ = self._until(PROMPT, RESET_SECONDS)
        if not again:
            self.reach_prompt()
        self._pending = b""

    def reach_prompt(self) -> None:
        """Stop the board's program and reach the raw prompt; definitions stay.

        Raises BoardSilent or BoardMisbehaved as ``enter``.
        """
        heard = b""
        for attempt in range(TRIES):
            if attempt:
                goodbye = pad(make_frame(ANYONE, 0, BYE, b""))
                self._port.write(b"\x00" * BLOCK + goodbye + b"\x00" * QUANTUM)
                heard += self._listen(0.2)
            heard += self._interrupt()
            heard += self._until(FRIENDLY, 0.1 + 0.2 * attempt)[1]
            self._port.write(b"\r\x01")
            reached, text = self._until(PROMPT, 0.7)
            heard += text
            if reached:
                self._pending = b""
                return
        raise self._not_reached(heard)

    def execute(self, source: bytes, timeout: float = 10.0, data: bytes = b"") -> str:
        """Run a text on the board, which reads ``data``; return its output.

        Raises BoardMisbehaved with the board's own error text if the text raised.
        """
        self._give(source)
        if data:
            self._port.write(data)
        printed = self._expect(b"\x04", timeout)[:-1]
        failure = self._exactly(1, ANSWER_SECONDS)
        if failure not in (b"\x04", b">"):
            failure += self._expect(b"\x04", ANSWER_SECONDS)
        if failure[-1:] != b"\x04" or self._exactly(1, ANSWER_SECONDS) != b">":
            raise BoardMisbehaved("the interpreter's marks after a program came back damaged")
        if failure[:-1]:
            raise _board_error(failure[:-1].decode("utf-8", "replace"))
        return printed.decode("utf-8", "replace")

    def load(self, program: str) -> None:
        """Send a program in pieces, check that it arrived whole, then execute it.

        Every statement may run twice, because its answer may have been lost. If the pieces kept
        are damaged, everything is sent again.
        """
        self._repeated(self._load, program.encode())

    def hold(self, data: bytes) -> None:
        """Send bytes in pieces and check that they arrived whole; they are in ``_t`` then."""
        self._repeated(self._hold, data)

    def _repeated(self, send: Callable[[bytes], None], data: bytes) -> None:
        for _ in range(LOADS - 1):
            with suppress(Damaged):
                send(data)
                return
        send(data)

    def bytecode(self) -> int:
        """Return ``sys.implementation._mpy`` of the board's interpreter; 0 if it has none."""
        return int(self._answer(BYTECODE, _is_number_twice).split()[0])

    def load_compiled(self, code: bytes, module: str) -> bool:
        """Send a compiled module and import all its names; return whether the board could."""
        packer = zlib.compressobj(9, wbits=WINDOW_BITS)
        packed = packer.compress(code) + packer.flush()
        try:
            self.hold(packed)
            self._surely(IMPORT.format(module=module).encode(), str(len(packed)))
            self._surely(b"_t = None\nprint(_t)", "None")  # what starts then collects it
        except Damaged:
            raise
        except BoardMisbehaved:
            return False
        return True

    def _load(self, data: bytes) -> None:
        self._hold(data)
        self._surely(b"_t = bytes(_t)\nexec(_t, globals())\nprint(len(_t))", str(len(data)))
        self._surely(b"_t = None\ngc.collect()\nprint(_t)", "None")

    def _hold(self, data: bytes) -> None:
        self._surely(RECEIVER.format(size=len(data), block=BLOCK).encode(), "0")
        at = 0
        while at < len(data):
            piece = data[at : at + self._piece]
            tries = 1 if self._piece > SMALLEST else PIECE_TRIES
            sent = binascii.b2a_base64(piece)
            statement = f"_r({at}, {len(sent)}, {zlib.crc32(piece)})".encode()
            try:
                self._surely(statement, str(at + len(piece)), tries, PIECE_SECONDS, sent)
            except (BoardMisbehaved, BoardSilent):
                if self._piece == SMALLEST:
                    raise
                self._piece = max(SMALLEST, self._piece // 2)
                continue
            at += len(piece)
        self._surely(b"print(len(_t), binascii.crc32(_t))", f"{len(data)} {zlib.crc32(data)}")

    def start(self, statement: str) -> bytes:
        """Start a program that takes over the port; return what it has sent so far."""
        self._give(statement.encode())
        taken, self._pending = self._pending, b""
        return taken

    def leave(self) -> None:
        """Reset the interpreter, which starts the board's own program again."""
        self.restart(NEVER, 0.2)

    def restart(self, mark: bytes, seconds: float) -> bytes:
        """Leave, and listen to the board's own program until ``mark``; return what it sent."""
        self._interrupt()
        # Out of the raw REPL a soft reset would not run main.py (MicroPython, main.c of the ports).
        self._port.write(b"\x02")
        self._listen(0.2)
        self._port.write(b"\x04")
        _, text = self._until(mark, seconds)
        return text

    def _interrupt(self) -> bytes:
        """Stop the running program, and one that it may have started; return its output.

        Ctrl-C is sent twice, apart: two at once hang some boards.
        """
        self._port.write(b"\r\x03")
        heard = self._listen(APART_SECONDS)
        self._port.write(b"\x03")
        return heard

    def _surely(
        self,
        statement: bytes,
        answer: str,
        tries: int = PIECE_TRIES,
        seconds: float = STATEMENT_SECONDS,
        data: bytes = b"",
    ) -> None:
        """Execute a statement, which reads ``data``, until it prints ``answer``."""
        self._answer(statement, answer.__eq__, tries, seconds, data)

    def _answer(
        self,
        statement: bytes,
        fits: Callable[[str], bool],
        tries: int = PIECE_TRIES,
        seconds: float = STATEMENT_SECONDS,
        data: bytes = b"",
    ) -> str:
        """Execute a statement until what it prints fits; return that.

        If every try gives the same error, the board raised it; else the link is at fault (Damaged).
        """
        errors: dict[str, BoardMisbehaved | BoardSilent | None] = {}
        for _ in range(tries):
            self._asked += 1
            try:
                printed = self.execute(statement, seconds, data).strip()
                if fits(printed):
                    return printed
                errors[printed] = None
            except OutOfMemory:
                raise
            except (BoardMisbehaved, BoardSilent) as error:
                errors[str(error)] = error
                self._reach_again()
            self._damaged += 1
            if self._damaged > MAX_DAMAGED:
                raise self._bad_link()
        text, own = errors.popitem()
        if own is None or errors or _is_damage(text):
            raise self._bad_link()
        raise own

    def _reach_again(self) -> None:
        """Reach the prompt again; a failure is now the link's fault."""
        try:
            self.reach_prompt()
        except BoardMisbehaved as error:
            self._damaged += 1
            raise self._bad_link() from error

    def _bad_link(self) -> Damaged:
        return Damaged(
            f"the link corrupts data: {self._damaged} of {self._asked} statements of the upload "
            "came back damaged or not at all; check the cable and any hub between"
        )

    def _give(self, source: bytes) -> None:
        self._port.write(b"\x05A\x01")
        answer = self._exactly(2, ANSWER_SECONDS)
        if answer == b"R\x01":
            self._paste(source)
        elif answer == b"R\x00":
            self._type(source)
        elif answer == b"ra":
            self._expect(b">", ANSWER_SECONDS)
            self._type(source)
        else:
            raise BoardMisbehaved(f"the interpreter answered {answer!r} to a raw-paste request")

    def _paste(self, source: bytes) -> None:
        increment = int.from_bytes(self._exactly(2, ANSWER_SECONDS), "little")
        room = increment
        at = 0
        while at < len(source):
            while room <= 0 or self._pending:
                if self._signal() == b"\x04":
                    self._port.write(b"\x04")
                    raise BoardMisbehaved("the interpreter broke off while receiving the program")
                room += increment
            part = source[at : at + room]
            self._port.write(part)
            at += len(part)
            room -= len(part)
        self._port.write(b"\x04")
        while self._signal() != b"\x04":
            pass  # it offers room that is no longer needed

    def _signal(self) -> bytes:
        """Read a signal from the interpreter receiving a text: 1 for more room, 4 for its end."""
        signal = self._exactly(1, ANSWER_SECONDS)
        if signal not in (b"\x01", b"\x04"):
            raise BoardMisbehaved(f"the interpreter answered {signal!r} in raw-paste mode")
        return signal

    def _type(self, source: bytes) -> None:
        # Only raw-paste mode has flow control: here the board's input buffer needs time to drain.
        for at in range(0, len(source), 128):
            self._port.write(source[at : at + 128])
            time.sleep(0.01)
        self._port.write(b"\x04")
        if self._exactly(2, 5.0) != b"OK":
            raise BoardMisbehaved("the interpreter did not accept the program")

    def _exactly(self, count: int, timeout: float) -> bytes:
        end = time.monotonic() + timeout
        while len(self._pending) < count:
            self._fill(end)
        taken, self._pending = self._pending[:count], self._pending[count:]
        return taken

    def _expect(self, mark: bytes, timeout: float) -> bytes:
        met, text = self._until(mark, timeout)
        if not met:
            raise BoardSilent(
                f"the interpreter went silent; its last output was {text[-60:]!r}"
                if text
                else "the interpreter went silent while receiving the program"
            )
        return text

    def _until(self, mark: bytes, timeout: float) -> tuple[bool, bytes]:
        end = time.monotonic() + timeout
        while mark not in self._pending:
            try:
                self._fill(end)
            except BoardSilent:
                text, self._pending = self._pending, b""
                return False, text
        at = self._pending.index(mark) + len(mark)
        text, self._pending = self._pending[:at], self._pending[at:]
        return True, text

    def _listen(self, seconds: float) -> bytes:
        """Return everything that arrives within ``seconds``."""
        _, text = self._until(NEVER, seconds)
        return text

    def _fill(self, end: float) -> None:
        left = end - time.monotonic()
        if left <= 0:
            raise BoardSilent("the interpreter did not answer in time")
        self._pending += self._port.read(left)

    def _not_reached(self, heard: bytes) -> BoardSilent | BoardMisbehaved:
        if not heard.strip(b"\x00"):
            return BoardSilent(
                "the board sends nothing; check power and cable, press its reset button, and check "
                "that it runs MicroPython"
            )
        return BoardMisbehaved(
            f"the board does not show its interpreter's prompt; it sent {heard[-60:]!r}. "
            "Its program may not stop on Ctrl-C, its baud rate may differ, or it may not run "
            "MicroPython: press its reset button, or install the interpreter again"
        )


def _is_number_twice(printed: str) -> bool:
    match printed.split():
        case [one, other]:
            return one == other and one.isdecimal() and one.isascii()
    return False


def _is_damage(text: str) -> bool:
    return "NameError" in text and any(f"'{name}'" in text for name in OWN_NAMES)


def _board_error(text: str) -> BoardMisbehaved:
    last = text.rstrip().rpartition("\n")[2].strip() or "an error without a name"
    if "MemoryError" in text:
        return OutOfMemory(
            f"the board's interpreter ran out of memory ({last}); reset the board, "
            "and take large modules out of its boot program"
        )
    return BoardMisbehaved(f"the board's interpreter raised {last}")
