"""The README's table of what the tables of the demo would notice, from the grades that are kept.

Run: python -m tests.published.coverage prints it; ``harness grade --shuttle vectors/shuttle.toml``
makes the grades again.
"""

from __future__ import annotations

from collections import Counter

from harness.grade import kept_grade
from harness.records import DesignGrade
from harness_reports import percent
from tests.published import demo

HEAD = (
    "| design | stuck-at faults | fault coverage | test coverage | what is missed |",
    "|---|---:|---:|---:|---|",
)
MAX_SHOWN = 2


def lines() -> list[str]:
    """The lines of the table."""
    grades = [kept_grade(design.folder) for design in demo.shuttle().designs]
    assert None not in grades
    return [*HEAD, *(row(grade) for grade in grades if grade is not None)]


def row(grade: DesignGrade) -> str:
    """One design."""
    count = grade.count
    shares = f"{percent(count.fault_coverage)} | {percent(count.test_coverage)}"
    return f"| {grade.design} | {count.faults:,} | {shares} | {missed(grade)} |"


def missed(grade: DesignGrade) -> str:
    """The places with most undetected faults, and those that no table can detect."""
    places, untestable = Counter[str](), grade.count.untestable
    for fault in grade.missed:
        if fault.untestable:
            continue
        ways = [", ".join(b.name for b in bounds) for bounds in (fault.sources, fault.sinks)]
        short = [way if way.count(",") < 3 else "many signals" for way in ways]
        places[f"from {short[0] or 'nothing'} to {short[1] or 'nothing'}"] += fault.alike
    shown = [f"{count} {place}" for place, count in places.most_common(MAX_SHOWN)]
    rest = places.total() - sum(count for _, count in places.most_common(MAX_SHOWN))
    shown += [f"{rest} elsewhere"] if rest else []
    shown += [f"{untestable} proven untestable"] if untestable else []
    return "; ".join(shown) or "nothing"


if __name__ == "__main__":
    print("\n".join(lines()))
