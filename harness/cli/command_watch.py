"""``harness watch``: the rack as it runs, and the histories behind it, in a browser."""

from __future__ import annotations

from typing import Annotated

import typer

import harness
from harness import STORE
from harness.cli.exit_code import ExitCode
from harness.cli.options import STORE_HELP
from harness.cli.screen import console

HOST, PORT = "127.0.0.1", 8311


def watch(
    store: Annotated[str, typer.Option(help=STORE_HELP)] = STORE,
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port of the page; 0 takes a free one.")
    ] = PORT,
    host: Annotated[
        str, typer.Option(help="Address to listen at; another than this lets others read.")
    ] = HOST,
) -> ExitCode:
    """Show the rack as it runs, and what is kept, on a page of this computer. Ctrl-C ends it.

    The page only reads the store, so it shows runs of any other process, and accepts no change.
    """
    screen = console()
    with harness.watching(store, host, port) as page:
        screen.say(f"Watching {page.place} at {page.address} (Ctrl-C ends it)")
        if page.caution:
            screen.say(page.caution)
        page.serve()
    screen.say("Ended.")
    return ExitCode.ALL_PASS
