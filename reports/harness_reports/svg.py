"""The pieces of drawings as inline SVG.

The one rule: text goes in escaped and printable, colours come from the page's style by class.
"""

from __future__ import annotations

from collections.abc import Iterable

from markupsafe import Markup

from harness.errors import printable


def picture(
    kind: str, size: tuple[int, int], key: str, words: tuple[str, str], parts: Iterable[Markup]
) -> Markup:
    """Put a drawing together; ``words`` is its title and description, ``key`` makes ids unique."""
    title, description = map(printable, words)
    head = Markup(
        '<svg class="{c}" viewBox="0 0 {w} {h}" width="{w}" height="{h}" role="img"'
        ' aria-labelledby="{k}-t" aria-describedby="{k}-d">'
        '<title id="{k}-t">{t}</title><desc id="{k}-d">{d}</desc>'
    ).format(c=kind, w=size[0], h=size[1], k=key, t=title, d=description)
    return Markup("").join([head, *parts, Markup("</svg>")])


def text(x: int | str, y: int | str, words: str, kind: str) -> Markup:
    """Write words at a place; nothing for none."""
    if not words:
        return Markup("")
    return Markup('<text x="{}" y="{}" class="{}">{}</text>').format(x, y, kind, printable(words))


def line(path: str, kind: str) -> Markup:
    """Draw a path; nothing for an empty one."""
    return Markup('<path class="{}" d="{}"/>').format(kind, path) if path else Markup("")
