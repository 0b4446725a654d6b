"""A table that has not run as one SVG file: inputs as driven, outputs as expected.

The one rule: the drawing is that of the pages, strip under strip, with their own style.
"""

from __future__ import annotations

import re

from markupsafe import Markup

from harness.records import Window
from harness_reports.html import file_text
from harness_reports.svg import text
from harness_reports.timing import draw_whole

_GAP, _LINE = 12, 20


def table_drawing(window: Window, subject: str, note: str) -> bytes:
    """Draw every cycle of the window; ``note`` stands under the title."""
    drawing = draw_whole(window, subject, "table")
    head = [line for line in (subject, note, drawing.note) if line]
    y = _LINE * (len(head) + 1)
    parts = [text(_GAP, _LINE * (k + 1), line, "head") for k, line in enumerate(head)]
    width = 0
    for strip in drawing.strips:
        own_width, height = (int(size) for size in re.findall(r' (?:width|height)="(\d+)"', strip))
        parts.append(Markup(str(strip).replace("<svg ", f'<svg y="{y}" ', 1)))  # noqa: S704 - our own
        width, y = max(width, own_width), y + height + _GAP
    whole = Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" height="{h}">'
        '<style>{s}</style><rect class="paper" width="{w}" height="{h}"/>{p}</svg>\n'
    ).format(w=max(width, 400), h=y, s=Markup(_style()), p=Markup("").join(parts))  # noqa: S704
    return whole.encode("utf-8")


def _style() -> str:
    """Take the rules of timing drawings out of the style of the pages, with its light colours.

    Colours are filled in: viewers of SVG files know no variables of style sheets.
    """
    style = file_text("style.css")
    values = dict(re.findall(r"--([a-z]+): ([^;]+);", style[: style.index("@media")]))
    rules = [line for line in style.splitlines() if line.startswith(".timing ")]
    rules += [
        ".paper { fill: var(--sheet); }",
        ".head { fill: var(--ink); font: 13px var(--sans); }",
    ]
    return re.sub(r"var\(--([a-z]+)\)", lambda found: values[found[1]], "\n".join(rules))
