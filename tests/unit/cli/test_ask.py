"""A person who is asked can leave at any time."""

from __future__ import annotations

import os
import subprocess
import sys

ASKING = """
import signal, threading, time
from harness.cli.screen import console

def overtake():
    time.sleep(0.3)  # the main thread waits for the answer by now
    signal.pthread_kill(threading.get_ident(), signal.SIGINT)

threading.Thread(target=overtake).start()
try:
    console().ask("Is it there", "yes or no")
except KeyboardInterrupt:
    print("left")
"""


def test_ctrl_c_ends_a_question_even_if_its_signal_reaches_another_thread() -> None:
    """Such a signal does not end the main thread's read (signal(7), pthreads(7))."""
    ours, theirs = os.openpty()
    asked = [sys.executable, "-c", ASKING]
    with subprocess.Popen(asked, stdin=theirs, stdout=subprocess.PIPE) as process:
        os.close(theirs)
        try:
            assert process.communicate(timeout=20)[0] == b"Is it there [yes or no]: left\n"
        finally:
            process.kill()
            os.close(ours)
