"""The link's table of transitions as the diagram of the agent's guide."""

from __future__ import annotations

from harness.link.machine import TRANSITIONS, State


def diagram() -> str:
    """Return the transition table as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", f"    [*] --> {State.QUIET.value}"]
    lines += [
        f"    {start.value} --> {end.value}: {event.value} / {action.value}"
        for (start, event), (end, action) in TRANSITIONS.items()
    ]
    return "\n".join([*lines, f"    {State.LOST.value} --> [*]"]) + "\n"
