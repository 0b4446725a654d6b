"""Becomes the interpreter of a board with files, on a terminal, with the pins as descriptor 3.

A script that imports nothing of ours, because it runs again after each soft reset. It runs
``main.py`` after power-up and after a soft reset, and the prompt once that has ended: in a process
of its own, because a program that is interrupted may have left half a message to the pins.
"""

import os
import signal
import sys
import termios
from pathlib import Path

interpreter, modules, terminal = sys.argv[1:]
signal.signal(signal.SIGINT, signal.SIG_IGN)  # until the interpreter sets its own handler
os.dup2(0, 3)
opened = os.open(terminal, os.O_RDWR)
for standard in range(3):
    os.dup2(opened, standard)
settings = termios.tcgetattr(0)  # an agent has left Ctrl-C an ordinary byte: see quiet in main.py
settings[3] |= termios.ISIG
termios.tcsetattr(0, termios.TCSANOW, settings)
ended = Path("../main-has-ended")
program = []
if ended.exists():
    ended.unlink()
elif Path("main.py").exists():
    ended.touch()
    program = ["main.py"]
environment = {"MICROPYPATH": f"{modules}:.frozen"}
os.execve(sys.executable, [sys.executable, interpreter, *program], environment)
