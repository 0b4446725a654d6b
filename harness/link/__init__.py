"""Bytes to and from a board, reliably: framing, state machine, ports, upload."""
