"""What a handed-over board has in its flash: whole, old or new, whenever power fails."""

from __future__ import annotations

import json
import os
import zlib
from base64 import b64encode
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.agent import protocol
from harness.agent.backends import backend, text_of
from harness.board.startup import (
    MAIN,
    Startup,
    bring_back,
    check_room,
    make_startup,
    named_folder,
    named_handover,
    put_startup,
)
from harness.errors import BoardMisbehaved
from harness.link import BoardFiles, Command, FileRoom
from tests.unit.agent.micropython import needs_micropython, run
from tests.unit.link.local_repl import LocalRepl

OWN = b"print('own program')\n" * 9
KEY = "0123456789ab"
ONE = make_startup(
    backend("generic"), [Command(protocol.BIND, b"\x01")], Command(protocol.BLOCK, b"1"), KEY
)
TWO = make_startup(
    backend("generic"), [Command(protocol.BIND, b"\x02")], Command(protocol.BLOCK, b"2"), KEY
)


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> BoardFiles:
    monkeypatch.chdir(tmp_path)
    return BoardFiles(LocalRepl())


def tree() -> dict[str, bytes]:
    """Every file of the board."""
    return {str(p): p.read_bytes() for p in sorted(Path().rglob("*")) if p.is_file()}


def handed(startup: Startup) -> dict[str, bytes]:
    inner = {f"{startup.folder}/{name}": data for name, data in startup.files.items()}
    return {**inner, MAIN: startup.main}


def test_a_handover_adds_its_folder_and_its_program_and_undoing_it_leaves_nothing(
    files: BoardFiles,
) -> None:
    put_startup(files, ONE, None)
    assert tree() == handed(ONE)
    bring_back(files, None)
    assert tree() == {}


@given(own=st.binary(max_size=3000))
def test_the_program_that_was_there_comes_back_byte_for_byte(
    tmp_path_factory: pytest.TempPathFactory, own: bytes
) -> None:
    before, here = tmp_path_factory.mktemp("board"), Path.cwd()
    os.chdir(before)
    try:
        Path(MAIN).write_bytes(own)
        files = BoardFiles(LocalRepl())
        kept = files.read(MAIN)
        put_startup(files, ONE, kept)
        put_startup(files, TWO, kept)
        assert tree() == handed(TWO), "the first handover is gone, since nothing names it"
        bring_back(files, kept)
        assert tree() == {MAIN: own}
    finally:
        os.chdir(here)


def test_a_handed_over_program_is_told_from_any_other() -> None:
    assert named_folder(ONE.main) == ONE.folder != named_folder(TWO.main)
    assert named_handover(ONE.main) == KEY
    for other in (None, OWN, ONE.main + b"\n", ONE.main.replace(b"f", b"F")):
        assert named_folder(other) == named_handover(other) == "", "or somebody has changed it"


def test_an_earlier_handover_that_must_come_back_keeps_its_folder(files: BoardFiles) -> None:
    put_startup(files, ONE, None)
    put_startup(files, TWO, ONE.main)
    assert tree() == handed(ONE) | handed(TWO)
    bring_back(files, ONE.main)
    assert tree() == handed(ONE)


def test_files_of_others_are_left_alone(files: BoardFiles) -> None:
    Path("lib").mkdir()
    Path("lib/handover-0123456789ab").write_bytes(b"1")
    Path("handover-0123456789ab.txt").write_bytes(b"2")
    put_startup(files, ONE, None)
    bring_back(files, None)
    assert list(tree()) == ["handover-0123456789ab.txt", "lib/handover-0123456789ab"]


class Full(BoardFiles):
    """A board with little room."""

    given = FileRoom(4096, 20, "")

    def room(self) -> FileRoom:
        return self.given


def test_a_board_without_room_says_so_before_anything_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    files = Full(LocalRepl())
    needed = 8 + 1 + sum(len(data) // 4096 + 1 for data in ONE.files.values())
    files.given = FileRoom(4096, needed, "VfsLfs2")
    check_room(files, ONE)
    files.given = FileRoom(4096, needed - 1, "VfsLfs2")
    with pytest.raises(BoardMisbehaved) as caught:
        check_room(files, ONE)
    assert str(caught.value) == (
        f"the board has no room: {needed} blocks of 4,096 bytes are needed, and {needed - 1} are "
        "free; nothing was written. Remove files from the board"
    )
    assert tree() == {}


def test_a_file_system_that_cannot_replace_a_file_in_one_step_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    files = Full(LocalRepl())
    files.given = FileRoom(512, 9999, "VfsFat")
    with pytest.raises(BoardMisbehaved) as caught:
        check_room(files, ONE)
    assert str(caught.value) == (
        "the board's file system (VfsFat) cannot replace main.py in one step, so a power failure "
        "could leave none; format its flash as littlefs (VfsLfs2)"
    )


def test_answers_that_are_damaged_on_the_wire_are_asked_for_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path(MAIN).write_bytes(OWN)
    files = BoardFiles(repl := LocalRepl())
    repl.spoiled = 3
    assert files.read(MAIN) == OWN
    repl.spoiled = 99
    with pytest.raises(BoardMisbehaved) as caught:
        files.read(MAIN)
    assert str(caught.value) == (
        "the link corrupts data: the board's answers about its files came back damaged; check the "
        "cable and any hub between"
    )


def test_a_refusal_of_the_file_system_is_reported(files: BoardFiles) -> None:
    with pytest.raises(BoardMisbehaved, match=r"^the board's interpreter raised .*No such file"):
        files.write("nowhere/file.py", OWN)


def test_a_file_too_large_to_be_kept_is_refused(files: BoardFiles) -> None:
    Path(MAIN).write_bytes(bytes(65_537))
    with pytest.raises(BoardMisbehaved) as caught:
        files.read(MAIN)
    assert str(caught.value) == (
        "main.py on the board has 65,537 bytes, and at most 65,536 are kept; copy it yourself and "
        "remove it, then try again"
    )


POWER_CUTS = """
import binascii, json, os, vfs
with open("cases.json") as file:
    cases = json.load(file)
serve = {}
with open("files.py") as file:
    exec(file.read(), serve)
serve["print"] = lambda *_: None
HERE = os.getcwd()

class Flash:
    # 96 blocks of 4 KiB; when its power fails, the last write is torn and all else is refused
    def __init__(self, image, writes):
        self.image, self.left = image, writes
    def spend(self):
        self.left -= 1
        if self.left < 0:
            raise OSError(5)
    def readblocks(self, block, data, at=0):
        if self.left < 0:
            return 5
        data[:] = self.image[block * 4096 + at : block * 4096 + at + len(data)]
    def writeblocks(self, block, data, at=0):
        if self.left < 0:
            return 5
        at += block * 4096
        if self.left == 0:
            data = memoryview(data)[: len(data) // 2]
        self.image[at : at + len(data)] = data
        self.spend()
    def ioctl(self, what, block):
        if what == 4:
            return 96
        if what == 5:
            return 4096
        if what == 6:
            if self.left < 0:
                return 5
            self.spend()
            self.image[block * 4096 : block * 4096 + 4096] = b"\\xff" * 4096
            return 0

def power_up(image, writes):
    flash = Flash(image, writes)
    vfs.mount(vfs.VfsLfs2(flash, progsize=256), "/flash")
    os.chdir("/flash")
    return flash

def power_down():
    os.chdir(HERE)
    vfs.umount("/flash")

def play(steps, image, writes):
    # carry out the host's steps until the power fails; return the writes that are left
    flash = power_up(image, writes)
    try:
        for step in steps:
            if isinstance(step, list):
                serve["_t"] = binascii.a2b_base64(step[0])
            else:
                exec(step, serve)
        return flash.left
    except OSError:
        return -1
    finally:
        power_down()

def contents():
    found = {}
    for name in os.listdir():
        if os.stat(name)[0] & 0x4000:
            for inner in os.listdir(name):
                found[name + "/" + inner] = None
        else:
            found[name] = None
    for name in found:
        with open(name, "rb") as file:
            found[name] = "%d %d" % (os.stat(name)[6], binascii.crc32(file.read()))
    return found

ENOUGH = 100000
image = bytearray(96 * 4096)
vfs.VfsLfs2.mkfs(Flash(image, ENOUGH), progsize=256)
play(cases["first"], image, ENOUGH)
for case in cases["cuts"]:
    start = bytes(image)
    total = ENOUGH - play(case["steps"], image, ENOUGH)
    old = new = 0
    for writes in range(0, total, case["every"]):
        torn = bytearray(start)
        play(case["steps"], torn, writes)
        power_up(torn, ENOUGH)
        found = contents()
        power_down()
        program = found.get("main.py")
        for one in (case["old"], case["new"]):
            if one.get("main.py") == program:
                assert all([found.get(name) == one[name] for name in one]), (writes, found, one)
                old += one is case["old"]
                new += one is case["new"]
                break
        else:
            assert False, (writes, program)
        play(case["steps"], torn, ENOUGH)
        power_up(torn, ENOUGH)
        assert contents() == case["new"], (writes, contents())
        power_down()
    print("cut", total, old, new)
"""


def recorded(repl: LocalRepl) -> list[object]:
    """The steps since the last call, as JSON has them."""
    steps, repl.steps = repl.steps, []
    return [one if isinstance(one, str) else [b64encode(one).decode()] for one in steps]


def marks(held: dict[str, bytes]) -> dict[str, str]:
    """Size and CRC of each file."""
    return {name: f"{len(data)} {zlib.crc32(data)}" for name, data in held.items()}


@needs_micropython
@pytest.mark.parametrize("every", [5, pytest.param(1, marks=pytest.mark.nightly)])
def test_a_board_whose_power_fails_at_any_write_has_the_old_program_whole_or_the_new_one(
    every: int, files: BoardFiles, tmp_path: Path
) -> None:
    """On the real file system of such boards, in the real interpreter, cut at every write."""
    repl = files._repl
    assert isinstance(repl, LocalRepl)
    files.write(MAIN, OWN)
    first, states = recorded(repl), [marks(tree())]
    cuts: list[dict[str, object]] = []
    for startup in (ONE, TWO, None):
        if startup is None:
            bring_back(files, OWN)
        else:
            put_startup(files, startup, OWN)
        states.append(marks(tree()))
        cut = {"steps": recorded(repl), "old": states[-2], "new": states[-1], "every": every}
        cuts.append(cut)
    assert states[0] == states[3]
    (tmp_path / "cases.json").write_text(json.dumps({"first": first, "cuts": cuts}), "utf-8")
    (tmp_path / "files.py").write_text(text_of("files"), "utf-8")
    printed = run(POWER_CUTS, tmp_path, heap="16m").splitlines()
    # files that were open when the power failed complain when their memory is freed
    ends = [list(map(int, line.split()[1:])) for line in printed if line.startswith("cut ")]
    assert len(ends) == len(cuts)
    for total, old, new in ends:
        assert old + new == len(range(0, total, every))
        assert total > 10
        assert old
    assert sum(new for _total, _old, new in ends)


class Liar(LocalRepl):
    """A board whose file system answers what it likes, undamaged."""

    said = ""

    def execute(self, source: bytes, timeout: float = 10.0, data: bytes = b"") -> str:  # noqa: ARG002  it never waits
        self.steps.append(source.decode())
        return f"{zlib.crc32(self.said.encode())} {self.said}\n"


ODD = ["null", "7", "{}", '"x"', "[]", "[1]", "[null]", '["AA==", "x"]', '["!", 2]', "[[1]]",
       '["", 5]', '["AAAA", -1]', '["AAAA", 1]', "[0, 9, 1]", "[-4096, 9999, 1]", "[" * 9999,
       '["x", 9, ""]', "NaN", "[Infinity, 1, 1]", '["AAAA", NaN]', "[[1, 2, 3]]"]  # fmt: skip


@pytest.mark.parametrize("said", ODD)
def test_answers_about_files_that_make_no_sense_are_a_boards_misbehaviour(said: str) -> None:
    files = BoardFiles(Liar())
    Liar.said = said
    for ask in (files.room, files.entries, lambda: files.read(MAIN)):
        try:
            answer = ask()
        except BoardMisbehaved:
            continue
        assert answer in ({}, None), "a folder without files, or no file"


@pytest.mark.parametrize("size", [4, 64 * 1024])
def test_a_program_that_does_not_come_back_whole_is_not_kept(size: int) -> None:
    """What was cut off, or grew, would be all that ever comes back."""
    files = BoardFiles(Liar())
    part = b64encode(b"x" * 70_000).decode() if size > 4 else ""
    Liar.said = json.dumps([part, size])
    with pytest.raises(BoardMisbehaved, match=r"main\.py on the board changed while it was read"):
        files.read(MAIN)
