"""Starts a design without a host: carries out stored commands of a session, then clocks on.

A handover writes this module to the board's file system, with the modules before it and the
commands; ``main.py`` there calls ``run_stored``.
"""

from __future__ import annotations

import binascii
from collections.abc import Mapping
from typing import Any

from .engine import Engine
from .faces import PinsFace
from .main import quiet


def run_stored(pins: PinsFace, stored: Mapping[str, Any]) -> None:
    """Carry out ``commands`` ([kind, payload]), then run the row in ``clock`` until Ctrl-C.

    Payloads are in base 64; that of ``clock`` is a BLOCK of one row. Prints ``started`` once all
    commands are done.
    """
    try:
        engine = Engine(pins, pins.rows)
        for kind, payload in stored["commands"]:
            engine.command(kind, binascii.a2b_base64(payload))
        hold_row(engine, binascii.a2b_base64(stored["clock"]))
        print(stored["started"])
        while True:
            if engine.pins.exact:
                engine.pins.clock_on(engine)
            else:
                engine.run_repeats(1)
    except KeyboardInterrupt:
        pass
    finally:
        quiet(True)  # a host sends Ctrl-C twice: the second must not leave pins driven
        pins.release()
        quiet(False)


def hold_row(engine: Engine, payload: bytes) -> None:
    """Take a block without running it; nothing checks what is read in its endless cycles."""
    engine.take_block(payload)
    engine.checked = 0
