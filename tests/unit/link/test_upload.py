"""The raw REPL: against the real interpreter, and scripted answers that it never gives."""

from __future__ import annotations

import binascii
import io
import os
import select
import threading
import time
import warnings
import zlib
from collections.abc import Iterator
from contextlib import redirect_stdout, suppress
from pathlib import Path
from types import SimpleNamespace

import pytest

from harness.agent.compiled import MODULE, compile_agent
from harness.agent.engine import AGENT
from harness.errors import BoardMisbehaved, BoardSilent
from harness.link import RawRepl
from harness.link.statements import BLOCK, IMPORT, RECEIVER
from harness.link.upload import APART_SECONDS, PROMPT
from harness.virtual import interpreter
from tests.unit.agent.micropython import needs_micropython, run

pytestmark = pytest.mark.slow

OWN_PROGRAM = """
import time
while True:
    print("own program works")
    time.sleep_ms(50)
"""


class Terminal:
    """A ``Port`` on the interpreter's terminal; the interpreter starts again whenever it ends."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.master, self.slave, self.name = interpreter.terminal()
        self.stopping = False
        self.starts = 0
        self.damage = 0
        self.spoil = False
        self.renamed = 0
        self.at_prompt = False
        self.keeper = threading.Thread(target=self._keep)
        self.keeper.start()

    def _keep(self) -> None:
        while not self.stopping:
            own = interpreter.command(interpreter.find(), OWN_PROGRAM, "WB-01")
            self.process = interpreter.start(own, self.folder, self.name, self.slave)
            self.starts += 1
            self.process.wait()

    def stop(self) -> None:
        self.stopping = True
        self.process.kill()
        self.keeper.join()
        os.close(self.master)
        os.close(self.slave)

    def read(self, timeout: float) -> bytes:
        ready, _, _ = select.select([self.master], [], [], timeout)
        return os.read(self.master, 4096) if ready else b""

    def write(self, data: bytes) -> None:
        if self.damage and len(data) > 60 and data.endswith(b"\n") and b" " not in data:
            self.damage -= 1
            data = data[:50] + bytes((data[50] ^ 1,)) + data[51:]
        if self.spoil and data.startswith(b"_r("):
            self.spoil = False
            data += b";_t[0]=1"
        if self.renamed and b"_t = bytearray(" in data:
            self.renamed -= 1
            data = data.replace(b"_t", b"_u")
        os.write(self.master, data)

    def close(self) -> None:
        pass


@pytest.fixture(scope="module")
def terminal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Terminal]:
    port = Terminal(tmp_path_factory.mktemp("board"))
    yield port
    port.stop()


@pytest.fixture
def repl(terminal: Terminal) -> Iterator[RawRepl]:
    """A session at the raw prompt, which is entered again where a test may have left it."""
    opened = RawRepl(terminal)
    if not terminal.at_prompt:
        opened.enter()
    starts = terminal.starts
    yield opened
    terminal.at_prompt = (terminal.starts, terminal.damage, terminal.renamed) == (starts, 0, 0)
    terminal.damage = terminal.renamed = 0


@pytest.fixture
def nothing_defined(terminal: Terminal) -> None:
    """Have the next session reset the board, which then knows no names of the tests before."""
    terminal.at_prompt = False


@needs_micropython
def test_a_statement_runs_on_the_board_and_what_it_prints_comes_back(repl: RawRepl) -> None:
    said = repl.execute(b"import sys\nprint(sys.implementation[0], 6 * 7)")
    assert said.split() == ["micropython", "42"]
    assert repl.execute(b"x = 1") == ""


@needs_micropython
def test_names_of_one_statement_are_there_in_the_next(repl: RawRepl) -> None:
    repl.execute(b"x = 20")
    assert repl.execute(b"print(x + 1)").strip() == "21"


@needs_micropython
def test_an_error_on_the_board_is_reported_by_its_last_line(repl: RawRepl) -> None:
    with pytest.raises(BoardMisbehaved) as caught:
        repl.execute(b"def f():\n    return 1 // 0\nf()")
    assert str(caught.value) == ("the board's interpreter raised ZeroDivisionError: divide by zero")
    assert repl.execute(b"print('still here')").strip() == "still here"


@needs_micropython
def test_memory_that_runs_out_has_an_error_of_its_own(repl: RawRepl) -> None:
    with pytest.raises(BoardMisbehaved, match=r"^the board's interpreter ran out of memory \("):
        repl.execute(b"x = bytearray(1 << 40)")


@needs_micropython
def test_a_program_longer_than_the_flow_control_allows_at_once_arrives_whole(repl: RawRepl) -> None:
    text = "".join(f"v{k} = {k}\n" for k in range(2000))
    repl.load(text)
    assert repl.execute(b"print(v0 + v1999)").strip() == "1999"


@needs_micropython
@pytest.mark.parametrize("times", [1, 2])
def test_a_program_that_was_damaged_on_the_wire_is_sent_again(
    repl: RawRepl, terminal: Terminal, times: int
) -> None:
    terminal.damage = times
    repl.load("value = '" + "a" * 3000 + "'\n")
    assert terminal.damage == 0
    assert repl.execute(b"print(len(value), value.count('a'))").strip() == "3000 3000"


@needs_micropython
def test_a_program_whose_kept_part_is_damaged_is_sent_again_from_its_start(
    repl: RawRepl, terminal: Terminal
) -> None:
    terminal.spoil = True
    repl.load("value = '" + "a" * 5000 + "'\n")
    assert not terminal.spoil
    assert repl.execute(b"print(len(value), value.count('a'))").strip() == "5000 5000"


@pytest.mark.parametrize("piece", [b"def frame(session):\n body = 1", bytes(range(0, 256, 3))])
def test_no_single_damaged_bit_changes_the_part_kept_already(
    piece: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = b"kept before"
    whole = before + piece
    sent = binascii.b2a_base64(piece)
    said = f"_r({len(before)}, {len(sent)}, {binascii.crc32(piece)})\n".encode()
    for number in range(len(said + sent) * 8):
        damaged = bytearray(said + sent)
        damaged[number // 8] ^= 1 << number % 8
        statement, data = damaged[: len(said)], bytes(damaged[len(said) :])
        names: dict[str, object] = {}
        monkeypatch.setattr("sys.stdin", SimpleNamespace(buffer=io.BytesIO(data)))
        with (
            suppress(Exception, KeyboardInterrupt),
            redirect_stdout(io.StringIO()),
            warnings.catch_warnings(),
        ):
            warnings.simplefilter("ignore")
            exec(RECEIVER.format(size=len(whole), block=BLOCK), names)
            names["_t"][: len(before)], names["_n"] = before, len(before)  # type: ignore[index]
            exec(bytes(statement), names)
        kept = bytes(names["_t"]), names["_n"]  # type: ignore[call-overload]
        assert kept in (
            (before + bytes(len(piece)), len(before)),
            (whole, len(whole)),
        ), bytes(damaged)


@needs_micropython
def test_a_wire_that_damages_every_program_is_reported(repl: RawRepl, terminal: Terminal) -> None:
    terminal.damage = 1000
    with pytest.raises(BoardMisbehaved) as caught:
        repl.load("value = '" + "a" * 500 + "'\n")
    assert str(caught.value) == (
        "the link corrupts data: 36 of 39 statements of the upload came back damaged or not at "
        "all; check the cable and any hub between"
    )


@needs_micropython
def test_a_link_that_damages_too_much_is_given_up_soon(
    repl: RawRepl, terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.link.upload.MAX_DAMAGED", 3)
    terminal.damage = 1000
    with pytest.raises(BoardMisbehaved, match="corrupts data: 9 of 12 statements of the upload"):
        repl.load("value = '" + "a" * 500 + "'\n")


@needs_micropython
@pytest.mark.usefixtures("nothing_defined")
@pytest.mark.parametrize("times", [1, 1000])
def test_an_error_from_damaged_text_is_no_error_of_the_board(
    repl: RawRepl, terminal: Terminal, times: int
) -> None:
    """A damaged first statement leaves a board without the names that later ones use."""
    terminal.renamed = times
    if times == 1:
        repl.load("value = 1\n")
        assert repl.execute(b"print(value)").strip() == "1"
        return
    with pytest.raises(BoardMisbehaved) as caught:
        repl.load("value = 1\n")
    assert str(caught.value) == (
        "the link corrupts data: 36 of 39 statements of the upload came back damaged or not at "
        "all; check the cable and any hub between"
    )


@needs_micropython
def test_an_error_in_every_try_is_the_boards_own(repl: RawRepl) -> None:
    with pytest.raises(BoardMisbehaved) as caught:
        repl.load("import no_such_module\n")
    assert str(caught.value) == (
        "the board's interpreter raised ImportError: no module named 'no_such_module'"
    )


@needs_micropython
@pytest.mark.usefixtures("nothing_defined")
@pytest.mark.parametrize("architecture", [2, 4])
def test_a_compiled_module_is_imported_from_memory_if_it_fits(
    repl: RawRepl, architecture: int
) -> None:
    code = compile_agent("virtual", architecture)
    assert code is not None
    assert repl.bytecode() >> 10 == 2, "a PC"
    assert repl.load_compiled(code, MODULE) == (architecture == 2)
    loaded = repl.execute(b"print('begin' in globals())")
    assert loaded.strip() == str(architecture == 2)


@needs_micropython
def test_a_file_of_the_same_name_on_a_board_is_not_what_is_imported(tmp_path: Path) -> None:
    code = compile_agent("virtual", 2)
    assert code is not None
    (tmp_path / f"{MODULE}.py").write_text("AGENT = 'of a stranger'\n", encoding="utf-8")
    held = f"import gc\n_t = {zlib.compress(code, wbits=12)!r}\n"
    said = run(held + IMPORT.format(module=MODULE) + "\nprint(AGENT, '/_v' in sys.path)", tmp_path)
    assert said.split()[1:] == [AGENT, "False"]


@needs_micropython
def test_a_damaged_compiled_module_is_sent_again(repl: RawRepl, terminal: Terminal) -> None:
    code = compile_agent("virtual", 2)
    assert code is not None
    terminal.damage = 2
    assert repl.load_compiled(code, MODULE)
    assert repl.execute(b"print(AGENT)").strip() == AGENT


@needs_micropython
def test_leaving_starts_the_boards_own_program_again(repl: RawRepl, terminal: Terminal) -> None:
    before = terminal.starts
    repl.execute(b"x = 1")
    repl.leave()
    heard = b""
    for _ in range(4):
        heard += terminal.read(1.0)
    assert b"own program works\nown program works\n" in heard
    assert terminal.starts == before + 1


class Script:
    """A ``Port`` that answers each piece written with the next of some canned texts."""

    def __init__(self, *answers: bytes) -> None:
        self.answers = list(answers)
        self.pending = b""
        self.written: list[bytes] = []

    def write(self, data: bytes) -> None:
        self.written.append(data)
        if self.answers:
            self.pending += self.answers.pop(0)

    def read(self, timeout: float) -> bytes:  # noqa: ARG002  nothing more will come
        data, self.pending = self.pending, b""
        return data

    def close(self) -> None:
        pass


def test_an_interpreter_without_raw_paste_gets_the_text_typed() -> None:
    port = Script(b"R\x00", b"", b"OK7\r\n\x04\x04>")
    assert RawRepl(port).execute(b"print(7)") == "7\r\n"
    assert port.written == [b"\x05A\x01", b"print(7)", b"\x04"]


def test_an_interpreter_that_does_not_know_of_raw_paste_gets_the_text_typed() -> None:
    port = Script(b"raw REPL; CTRL-B to exit\r\n>", b"", b"OK\x04\x04>")
    assert RawRepl(port).execute(b"x") == ""


def test_raw_paste_waits_for_room() -> None:
    port = Script(b"R\x01\x04\x00\x01", b"\x01", b"\x01", b"\x04hi\x04\x04>")
    assert RawRepl(port).execute(b"0123456789") == "hi"
    assert port.written[1:] == [b"01234567", b"89", b"\x04"]


def test_an_interpreter_that_breaks_off_in_raw_paste_is_reported() -> None:
    port = Script(b"R\x01\x04\x00\x04")
    with pytest.raises(BoardMisbehaved) as caught:
        RawRepl(port).execute(b"0123456789")
    assert str(caught.value) == "the interpreter broke off while receiving the program"
    assert port.written[-1] == b"\x04"


@pytest.mark.parametrize(
    ("answers", "text"),
    [
        ([b"??"], "the interpreter answered b'??' to a raw-paste request"),
        ([b"R\x01\x04\x00\x07"], "the interpreter answered b'\\x07' in raw-paste mode"),
        ([b"R\x00", b"", b"NO"], "the interpreter did not accept the program"),
    ],
)
def test_answers_that_no_interpreter_gives_are_reported(answers: list[bytes], text: str) -> None:
    with pytest.raises(BoardMisbehaved) as caught:
        RawRepl(Script(*answers)).execute(b"0123456789")
    assert str(caught.value) == text


@pytest.mark.parametrize(
    ("answers", "text"),
    [
        ([b"", b"\x05hi\x04\x04>"], "the interpreter answered b'\\x05' in raw-paste mode"),
        ([b"", b"\x01\x03\x04>"], "the interpreter answered b'\\x03' in raw-paste mode"),
        ([b"", b"\x04hi\x05\x04>"], "the interpreter's marks after a program came back damaged"),
        ([b"", b"\x04hi\x04\x04?"], "the interpreter's marks after a program came back damaged"),
    ],
)
def test_a_damaged_byte_of_the_interpreter_is_noticed_without_waiting(
    answers: list[bytes], text: str
) -> None:
    began = time.monotonic()
    with pytest.raises(BoardMisbehaved) as caught:
        RawRepl(Script(b"R\x01\x40\x00", *answers)).execute(b"x")
    assert str(caught.value) == text
    assert time.monotonic() - began < 0.5


ROOM_FOR_4 = b"R\x01\x04\x00"


@pytest.mark.parametrize(
    "answers",
    [
        [],
        [ROOM_FOR_4],
        [ROOM_FOR_4, b"\x01", b""],
        [ROOM_FOR_4, b"\x01", b"", b"\x04hi\x04"],
        [ROOM_FOR_4, b"\x01", b"", b"\x04hi\x04\x04"],
    ],
)
def test_a_lost_byte_costs_two_seconds_at_most(
    answers: list[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    """For any answer of the interpreter; the clock moves only in waits."""
    now = [0.0]
    clock = SimpleNamespace(monotonic=lambda: now[0])
    monkeypatch.setattr("harness.link.upload.time", clock)

    class Waiting(Script):
        def read(self, timeout: float) -> bytes:
            data = super().read(timeout)
            now[0] += 0.0 if data else timeout
            return data

    with pytest.raises(BoardSilent):
        RawRepl(Waiting(*answers)).execute(b"01234567", timeout=2.0)
    assert now[0] == pytest.approx(2.0)


def test_an_interpreter_that_goes_silent_is_reported_with_its_last_words() -> None:
    with pytest.raises(BoardSilent) as caught:
        RawRepl(Script(b"R\x01\x40\x00", b"", b"\x04half")).execute(b"x", timeout=0.1)
    assert str(caught.value) == "the interpreter went silent; its last output was b'half'"


@pytest.mark.parametrize("said", [b" ", b"\r\n", b"\x1c\xc2\x85\n \x0b"])
def test_an_error_of_white_space_is_an_error_without_a_name(said: bytes) -> None:
    port = Script(b"R\x01\x40\x00", b"", b"\x04\x04" + said + b"\x04>")
    with pytest.raises(BoardMisbehaved) as caught:
        RawRepl(port).execute(b"x")
    assert str(caught.value) == "the board's interpreter raised an error without a name"


def test_ctrl_c_is_sent_twice_and_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two at once hang some boards."""
    written: list[tuple[float, bytes]] = []

    class Noted(Script):
        def write(self, data: bytes) -> None:
            written.append((time.monotonic(), data))
            super().write(data)

    RawRepl(Noted(b"", b"", PROMPT)).reach_prompt()
    (first, one), (second, two), (_, raw) = written
    assert (one, two, raw) == (b"\r\x03", b"\x03", b"\r\x01")
    assert second - first >= APART_SECONDS
