"""Grades of designs as a page: figures, the coverage curve, and what tables would not notice.

The one rule: a figure stands beside what it was counted on, and "grade" never stands for one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from harness.errors import many
from harness.records import STUCK_AT, Bound, DesignGrade, FaultCount, MissedFault, TableGrade
from harness_reports.html import page_html
from harness_reports.plot import Label, fluid, note
from harness_reports.svg import line
from harness_reports.texts import percent
from harness_reports.ways import Anchor, Ways
from harness_reports.write import write_file

GRADE_PAGE = "grade.html"

_WIDTH, _HEIGHT, _LEFT, _TOP, _BOTTOM = 340, 220, 48, 26, 46


@dataclass(frozen=True)
class TableView:
    """A table of a design: its figures, and its curve if it detects anything."""

    table: TableGrade
    figure: str
    remark: str
    curve: Markup | None


@dataclass(frozen=True)
class Place:
    """Undetected faults between the same registers and ports, as sentences."""

    title: str
    faults: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class GradeView:
    """What the page shows of one design."""

    grade: DesignGrade
    headline: str
    together: str
    facts: tuple[tuple[str, str], ...]
    tables: tuple[TableView, ...]
    places: tuple[Place, ...]


UNTESTABLE = "proven untestable: no table can notice it"


def why_missed(fault: MissedFault) -> str:
    """Say why no table notices a fault, in its author's words, and how many are alike."""
    alike = f"; {fault.alike - 1:,} more alike" if fault.alike > 1 else ""
    return _why_missed(fault) + alike


def _why_missed(fault: MissedFault) -> str:
    waived = f"waived by {fault.waiver.owner}: {fault.waiver.reason}" if fault.waiver else ""
    if fault.untestable:
        return f"proven untestable; {waived}" if waived else UNTESTABLE
    if waived:
        return waived
    if fault.possible:
        return "only possibly noticed: it leaves a tested output unknown"
    if not fault.reached:
        return f"no row sets it to {1 - fault.level}"
    return "no tested output shows it"


def fault_counts(grade: DesignGrade) -> tuple[str, str]:
    """Say what became of all faults, and of distinct ones, of which undetected ones are listed."""
    return (
        f"{many(grade.count.faults, 'fault')}: {count_text(grade.count)}",
        f"{many(grade.collapsed.faults, 'distinct fault')}: {count_text(grade.collapsed)}",
    )


def count_text(count: FaultCount) -> str:
    """``426 detected, 52 undetected (3 possibly detected, 2 proven untestable)``."""
    parts = (
        (count.possible, "possibly detected"),
        (count.untestable, "proven untestable"),
        (count.waived, "waived"),
    )
    details = ", ".join(f"{number:,} {words}" for number, words in parts if number)
    more = f" ({details})" if details else ""
    return f"{count.detected:,} detected, {count.undetected:,} undetected{more}"


def grades_html(grades: Sequence[DesignGrade]) -> bytes:
    """Return a page of grades, at least one, as UTF-8."""
    title = grades[0].design if len(grades) == 1 else many(len(grades), "design")
    ways = Ways((Anchor("Fault coverage", ""),))
    page = {"title": title, "views": [_view(grade) for grade in grades], "ways": ways}
    return page_html("grade.html.jinja", page)


def write_grades(grades: Sequence[DesignGrade], folder: Path) -> Path:
    """Write the page into a folder, made if needed; return its path. Raises StoreError."""
    path = folder / GRADE_PAGE
    write_file(path, grades_html(grades), folder)
    return path


def _view(grade: DesignGrade) -> GradeView:
    count = grade.count
    all_faults, distinct = fault_counts(grade)
    facts = [
        ("Faults", all_faults),
        ("Alike counted once", distinct),
        ("Test coverage", f"{percent(count.test_coverage)}: without untestable and waived faults"),
        ("Cells", "; ".join(filter(None, (", ".join(grade.cells), grade.prepared)))),
        ("Toggle coverage", _toggled(grade)),
        ("Untestable faults", grade.proof or "looked for with the state left free"),
    ]
    together = percent(count.fault_coverage)
    headline = f"fault coverage {together} ({STUCK_AT})"
    tables = tuple(_table(grade, table) for table in grade.tables)
    return GradeView(grade, headline, together, tuple(facts), tables, tuple(_places(grade.missed)))


def _toggled(grade: DesignGrade) -> str:
    toggle = grade.toggle
    still = f"; never moved: {', '.join(toggle.still)}" if toggle.still else ""
    moved = f"{toggle.toggled:,} of {many(toggle.nets, 'net')}"
    return f"{percent(toggle.coverage)}, {moved}{still}"


def _table(grade: DesignGrade, table: TableGrade) -> TableView:
    if table.count is None:
        return TableView(table, "not graded", table.why, None)
    remark = "has match loops: judged from three power-up states" if table.judged else ""
    figure = percent(table.count.fault_coverage)
    return TableView(table, figure, remark, _curve(grade, table) if table.curve else None)


def _curve(grade: DesignGrade, table: TableGrade) -> Markup:
    """Draw coverage against vector number, a step at each vector that detects more."""
    right, bottom = _WIDTH - 12, _HEIGHT - _BOTTOM
    faults, vectors = grade.count.faults, max(table.vectors, 1)

    def place(vector: int, detected: int) -> tuple[int, int]:
        x = _LEFT + round((right - _LEFT) * vector / vectors)
        return x, bottom - round((bottom - _TOP) * detected / faults)

    path, last = f"M{_LEFT} {bottom}", 0
    for point in table.curve:
        x, y = place(point.vectors, point.detected)
        path, last = f"{path}H{x}V{y}", point.detected
    path += f"H{right}"
    levels = [(share, bottom - (bottom - _TOP) * share / 100) for share in (0, 25, 50, 75, 100)]
    parts = [
        line("".join(f"M{_LEFT} {y:.0f}H{right}" for _, y in levels), "m-grid"),
        line(f"M{_LEFT} {_TOP}V{bottom}H{right}", "m-axis"),
        line(path, "m-line"),
        *(note(_LEFT - 6, y + 4, f"{share} %", "m-num m-end") for share, y in levels),
        note(_LEFT, bottom + 16, "0", "m-num"),
        note(right, bottom + 16, f"{table.vectors:,}", "m-num m-end"),
    ]
    end = f"Rises to {percent(last / faults)} by vector {table.curve[-1].vectors:,}."
    title, key = f"Fault coverage of {table.name}", f"curve-{grade.design}-{table.name}"
    label = Label(title, end, key, "vector", "fault coverage")
    return fluid((_WIDTH, _HEIGHT), label, parts)


def _places(missed: Sequence[MissedFault]) -> Iterator[Place]:
    """Group faults by module and by what bounds their logic, places with most of them first."""
    groups: dict[tuple[str, str], list[MissedFault]] = {}
    for fault in missed:
        bounds = f"from {_list(fault.sources)} to {_list(fault.sinks)}"
        groups.setdefault((fault.module, bounds), []).append(fault)
    for (module, bounds), faults in sorted(groups.items(), key=lambda item: -len(item[1])):
        where = f"In {module}, {bounds}" if module else f"{bounds[0].upper()}{bounds[1:]}"
        yield Place(where, tuple((fault.name, why_missed(fault)) for fault in faults))


def _list(bounds: Sequence[Bound]) -> str:
    return ", ".join(map(str, bounds)) or "nothing"
