"""What a caller may choose. One rule: nothing else is loaded here."""

from __future__ import annotations

from enum import StrEnum


class Edge(StrEnum):
    """The edge of the clock at which a design's flops take their data."""

    RISING = "rising"
    FALLING = "falling"


class Sample(StrEnum):
    """A rule of sampling."""

    PULSES = "pulses"
    BEFORE = "before"
    LEVELS = "levels"


class Stimulus(StrEnum):
    """How the inputs of a generated table are chosen."""

    DIRECTED = "directed"
    RANDOM = "random"
    CORNER = "corner"
    CONSTRAINED = "constrained"
