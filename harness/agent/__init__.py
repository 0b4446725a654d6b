"""The program that runs on the board: MicroPython sources that also import under CPython."""
