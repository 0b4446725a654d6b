"""The pins of a board with files: the socket of the chip's model, as ``doors.py`` gives it."""

link = open(3, "r+b", buffering=0)  # noqa: SIM115  a number; open for as long as the board is
