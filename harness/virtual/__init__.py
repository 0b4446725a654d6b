"""Boards and chips where there are none."""
