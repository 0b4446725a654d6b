"""What a program inside a virtual board can reach of the computer that runs it: nothing.

Everything here is tried from inside, by the raw REPL, as a host would that means harm.
"""

from __future__ import annotations

import os
import re
import select
import socket
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from harness.errors import BoardMisbehaved
from harness.link import RawRepl, SerialPort
from harness.virtual import VirtualRack, interpreter
from tests.racks import forked
from tests.system.virtual import spec
from tests.unit.agent.micropython import needs_micropython

INTERPRETERS = ("micropython", "stand-in")
ON_LINUX = pytest.mark.skipif(not Path("/proc/self/limits").exists(), reason="only Linux lists")

MODULES = (
    "_os os uos posix _posix_subprocess subprocess socket usocket _socket ssl tls ffi ctypes mmap "
    "fcntl resource pty machine builtins _thread threading _asyncio asyncio mip requests "
    "shutil pathlib importlib _imp marshal pickle code uio _io platform main virtual stand_in "
    "harness "
)

TRIED = [
    "__import__('os')",
    "open('/etc/hosts')",
    "open(0)",
    "open(3, 'w')",
    "execfile('/etc/hosts')",
    "input()",
    "from io import open",
    "from io import FileIO",
    "import io; io.open",
    "from uctypes import bytearray_at",
    "from uctypes import struct",
    "import virtual_chip; type(virtual_chip.link)('/etc/hosts')",
    "import vfs; vfs.mount()[0][0].open('/etc/hosts', 'r')",
    "import vfs; vfs.VfsPosix('/').open('/etc/hosts', 'r')",
    "import vfs; vfs.open('/etc/hosts')",
    "import vfs; vfs.ilistdir('/')",
    "import harness_agent",
    "import sys; type(sys.stdin)('/etc/hosts')",
    "import sys; type(sys.stdin)(open('/etc/hosts'))",
    "import sys; sys.modules['os'].system('touch CANARY')",
    "import sys; sys.modules['posix'].system('touch CANARY')",
    "import sys; sys.modules['posix'].mkfifo('CANARY')",
    "import sys; sys.modules['io'].open('CANARY', 'w')",
    "import sys; sys.modules['_io'].FileIO('CANARY', 'w')",
    "import sys; sys.modules['builtins'].open('CANARY', 'w')",
    "import sys; sys.modules['builtins'].__import__('os').remove('CANARY')",
    "import sys; sys.modules['_frozen_importlib']._gcd_import('socket')",
    "import sys; sys.modules['_imp'].create_dynamic(None)",
    "import sys; sys.modules['resource'].setrlimit(0, (1, 1))",
    "import sys; sys.path.append('/usr/lib'); import os",
    "import sys; sys.settrace(print)",
    "del __import__; import os",
    "del open; open('/etc/hosts')",
    "global __import__; del __import__; import os",
    "__builtins__.open('/etc/hosts')",
    "__builtins__['open']('/etc/hosts')",
    "__import__.__globals__['os'].mkdir('CANARY')",
    "__import__.__globals__['builtins'].open('CANARY', 'w')",
    "__import__.__closure__[0].cell_contents['os']",
    "exec('import os', {})",
    "eval('__import__(\"os\")', {}, {})",
    "exec(compile('import os', 'x', 'exec'), {'__builtins__': {}})",
    "().__class__.__base__.__subclasses__()[0].__init__.__globals__['sys'].modules['os'].remove",
    "import gc; gc.get_objects()",
    "import json; json.codecs.open('CANARY', 'w')",
    "__import__ = None; import os",
    "import json; json.decoder.scanner.re.enum.sys.modules['os'].system('touch CANARY')",
]

REFUSALS = re.compile(
    r"the board's interpreter raised "
    r"(ImportError|OSError|PermissionError|NameError|AttributeError|TypeError|KeyError|SyntaxError)\b"
)


@pytest.fixture(scope="module")
def rack() -> Iterator[VirtualRack]:
    """A board of each kind of interpreter."""
    specs = [spec(slot=name, stand_in=name == "stand-in") for name in INTERPRETERS]
    with VirtualRack(specs, launch=forked) as boards:
        yield boards


@pytest.fixture(scope="module", params=INTERPRETERS)
def repl(rack: VirtualRack, request: pytest.FixtureRequest) -> Iterator[RawRepl]:
    """The prompt of each kind."""
    port = SerialPort(rack.ports[request.param])
    entered = RawRepl(port)
    entered.enter()
    yield entered
    port.close()


def test_no_module_but_the_agents_can_be_imported(repl: RawRepl) -> None:
    for name in MODULES.split():
        with pytest.raises(BoardMisbehaved) as caught:
            repl.execute(f"import {name}".encode())
        told = f"ImportError: no module named '{name}'"
        assert str(caught.value) == f"the board's interpreter raised {told}"


def test_nothing_of_the_computer_is_reached_from_inside_before_and_after_a_soft_reset(
    repl: RawRepl, tmp_path: Path
) -> None:
    canary = tmp_path / "canary"
    for _ in range(2):
        said = {attempt: _said(repl, attempt.replace("CANARY", str(canary))) for attempt in TRIED}
        assert {attempt: told for attempt, told in said.items() if not REFUSALS.match(told)} == {}
        repl.enter()
    assert not canary.exists()


def _said(repl: RawRepl, attempt: str) -> str:
    """What comes of an attempt."""
    try:
        return f"it printed {repl.execute(attempt.encode())!r}"
    except BoardMisbehaved as refusal:
        return str(refusal)


@ON_LINUX
def test_a_boards_process_has_an_empty_environment_and_folder_and_low_limits(
    rack: VirtualRack,
) -> None:
    for slot in INTERPRETERS:
        (process,) = _inside(Path(rack.switches[slot]).parent)
        assert (process / "environ").read_bytes().strip(b"\0") in (b"", b"LC_CTYPE=C.UTF-8")
        assert list((process / "cwd").resolve().iterdir()) == []
        limits = (process / "limits").read_text()
        for name in ("file size", "core file size", "processes"):
            assert re.search(rf"^Max {name} +0 +0 ", limits, re.MULTILINE), name
        assert re.search(r"^Max open files +4 +4 ", limits, re.MULTILINE)
        assert re.search(r"^Max address space +536870912 +536870912 ", limits, re.MULTILINE)
        assert re.search(r"^Max cpu time +86400 +86400 ", limits, re.MULTILINE)
        assert sorted(entry.name for entry in (process / "fd").iterdir()) == ["0", "1", "2", "3"]
        assert "\nUid:\t0\t" not in (process / "status").read_text()


def _inside(folder: Path) -> Iterator[Path]:
    """The processes that work below a folder."""
    for process in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            if (process / "cwd").readlink().is_relative_to(folder):
                yield process


WITHOUT_DOORS = """
import os, socket
def tried(what):
    try:
        print(what(), end=' ')
    except OSError as error:
        print(type(error).__name__, error.args[0], end=' ')
tried(lambda: open('/etc/hosts'))
tried(lambda: open('CANARY', 'w'))
tried(lambda: socket.socket())
tried(lambda: os.system('touch CANARY') and 'no process')
print('tried')
"""


@needs_micropython
def test_without_doors_the_kernel_gives_no_file_no_socket_and_no_process(tmp_path: Path) -> None:
    canary = tmp_path / "canary"
    found = interpreter.find()
    what = (found.kind, str(found.where), str(found.heap))
    program = WITHOUT_DOORS.replace("CANARY", str(canary))
    host, slave, name = interpreter.terminal()
    ours, theirs = socket.socketpair()
    command = (*interpreter.PYTHON, *what, program, "")
    process = interpreter.start(command, tmp_path, name, theirs.fileno())
    heard, end = b"", time.monotonic() + 10
    while b"tried\n" not in heard and time.monotonic() < end:
        heard += os.read(host, 4096) if select.select([host], [], [], 0.1)[0] else b""
    process.kill()
    process.wait()
    for descriptor in (host, slave):
        os.close(descriptor)
    ours.close()
    theirs.close()
    assert heard == b"OSError 24 OSError 24 OSError 24 no process tried\n"
    assert not canary.exists()
