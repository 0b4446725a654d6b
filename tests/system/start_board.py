"""Becomes the interpreter of a board with files, on a terminal, with the pins as descriptor 3.

A script that imports nothing of ours, because it runs again after each soft reset.
"""

import os
import signal
import sys
import termios
from pathlib import Path

signal.signal(signal.SIGINT, signal.SIG_IGN)  # until the interpreter sets its own handler
interpreter, modules, terminal = sys.argv[1:]
os.dup2(0, 3)
opened = os.open(terminal, os.O_RDWR)
for standard in range(3):
    os.dup2(opened, standard)
settings = termios.tcgetattr(0)  # an agent has left Ctrl-C an ordinary byte: see quiet in main.py
settings[3] |= termios.ISIG
termios.tcsetattr(0, termios.TCSANOW, settings)
program = ("-i", "main.py") if Path("main.py").exists() else ()
os.execve(
    sys.executable, [sys.executable, interpreter, *program], {"MICROPYPATH": f"{modules}:.frozen"}
)
