"""Diagnosis of a port: what may keep a person from the board behind it, and what to do.

One rule: a port that another program holds is not opened. System files are read below ``root``, so
that tests can set up a system of their own.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.errors import BoardMisbehaved, LinkError
from harness.link import RawRepl, port_group
from harness.link import SerialPort as OpenPort
from harness.rack.ports import SerialPort

QUESTION = b"""import sys, gc
gc.collect()
a = sys.implementation
print(a.name, ".".join([str(n) for n in a.version[:3]]))
print(getattr(a, "_machine", sys.platform))
print(gc.mem_free() if hasattr(gc, "mem_free") else "")"""
"""Names after the MicroPython reference, ``sys.implementation`` and ``gc.mem_free``."""
RULES = "ci/71-harness-boards.rules"
_IGNORED = ("E:ID_MM_DEVICE_IGNORE=1", "E:ID_MM_PORT_IGNORE=1")
"""How udev stores what a rule set (ModemManager documentation, "udev tags")."""


@dataclass(frozen=True)
class PortCheck:
    """What is known about a port, in texts, and what to do (empty: nothing)."""

    port: SerialPort
    access: str
    holder: str
    manager: str
    answer: str
    advice: tuple[str, ...]


def who_answers(device: str) -> str:
    """Ask a board for its interpreter, controller and free memory, and restart its program.

    Raises LinkError if the port cannot be opened or no interpreter answers.
    """
    port = OpenPort(device)
    try:
        repl = RawRepl(port)
        repl.reach_prompt()
        lines = repl.execute(QUESTION).split("\n")
        repl.leave()
    finally:
        port.close()
    if len(lines) < len(("interpreter", "controller", "memory")):
        raise BoardMisbehaved(f"the interpreter answered {lines!r}; press the board's reset button")
    interpreter, machine, free = (line.strip() for line in lines[:3])
    memory = f", {int(free) // 1024} KiB free" if free.isdecimal() else ""
    return f"{interpreter} on {machine}{memory}"


def examine_port(
    port: SerialPort, root: Path = Path("/"), ask: Callable[[str], str] = who_answers
) -> PortCheck:
    """Examine a port; only a free USB port is spoken to.

    ``root`` is the system's root folder. ``ask`` returns who answers at a device, or raises
    LinkError.
    """
    allowed = os.access(port.device, os.R_OK | os.W_OK)
    group = port_group(Path(port.device))
    holders = _holders(port.device, root / "proc")
    manager, disturbed = _manager(port.device, root)
    advice = []
    if not allowed:
        advice.append(f"sudo usermod -a -G {group} $USER, then log in again")
    advice += [f"close {name} (process {number})" for number, name in holders]
    if disturbed:
        advice.append(f"copy {RULES} to /etc/udev/rules.d, then replug the board")
    answer = "not asked"
    if allowed and not holders and port.vendor:
        try:
            answer = ask(port.device)
        except LinkError as error:
            answer = "no interpreter"
            advice.append(error.beside(port.device))
    return PortCheck(
        port=port,
        access=f"{'yes' if allowed else 'no'}, by group {group}" if group else "not known here",
        holder=", ".join(f"{name} (process {number})" for number, name in holders) or "none seen",
        manager=manager,
        answer=answer,
        advice=tuple(advice),
    )


def _holders(device: str, proc: Path) -> list[tuple[int, str]]:
    """Processes seen by this account that have the device open: (number, name)."""
    wanted = os.path.realpath(device)
    return [
        (number, _name(proc / str(number)))
        for number in sorted(_numbers(proc))
        if number != os.getpid() and wanted in _open_files(proc / str(number) / "fd")
    ]


def _numbers(proc: Path) -> Iterator[int]:
    try:
        yield from (int(entry.name) for entry in proc.iterdir() if entry.name.isdigit())
    except OSError:
        return


def _open_files(folder: Path) -> Iterator[str]:
    try:
        for link in folder.iterdir():
            yield str(link.readlink())
    except OSError:  # another account's process, or one that has just ended
        return


def _name(process: Path) -> str:
    try:
        return (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return "a program"


def _manager(device: str, root: Path) -> tuple[str, bool]:
    """What a modem manager may do to the port, and whether it must be kept away."""
    names = (_name(root / "proc" / str(number)) for number in _numbers(root / "proc"))
    if "ModemManager" not in names:
        return "not running", False
    if _is_ignored(device, root):
        return "running; a rule keeps it away from this port", False
    return "running, and no rule keeps it away from this port: it may speak to a new board", True


def _is_ignored(device: str, root: Path) -> bool:
    try:
        number = Path(device).stat().st_rdev
        known = root / "run/udev/data" / f"c{os.major(number)}:{os.minor(number)}"
        lines = known.read_text(encoding="utf-8", errors="replace").splitlines()
    except (OSError, AttributeError):
        return False
    return any(tag in lines for tag in _IGNORED)
