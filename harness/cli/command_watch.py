"""``harness watch``: show the running rack and all histories in a browser."""

from __future__ import annotations

from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.options import STORE_HELP
from harness.cli.screen import console

HOST, PORT = "127.0.0.1", 8311


def watch(
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port of the page; 0 means any free one.")
    ] = PORT,
    host: Annotated[
        str, typer.Option(help="Address to listen at; any other than the default lets others read.")
    ] = HOST,
) -> ExitCode:
    """Show a running rack and all stored results on a web page of this computer. Ctrl-C ends it.

    The page only reads the store, so it also shows runs of other processes, and accepts no change.
    """
    screen = console()
    with harness.watching(store, host, port) as page:
        screen.say(f"Watching {page.place} at {page.address} (Ctrl-C ends it)")
        if page.caution:
            screen.say(page.caution)
        page.serve()
    screen.say("Ended.")
    return ExitCode.ALL_PASS
