"""Finds passwords and keys by the word before them.

One rule: a pattern looks at every letter a bounded number of times, whatever the text; and where
a design may use the same word (``token``, ``secret``), only a quoted value or a web address counts.
"""

from __future__ import annotations

import re
from collections.abc import Callable

PASSWORD = "<password>"  # noqa: S105 - the word that stands for one

_HINTS = ("pass", "pwd", "token", "secret", "key", "authorization")
_WORDS = re.compile(
    r"""(?ix)
    (?: (?P<sure> passw(?:or)?d | passphrase | passcode | (?<![a-z])pwd
          | (?:api|access|private|secret|auth)[-_]?key
          | (?:access|auth|bearer|refresh|client|session)[-_]?(?:token|secret) )
      | (?P<maybe> token | secret )
      | (?P<head> authorization ) )
    s?\d{0,3}
    (?P<closed> \\{0,3}["'] | &quot; )?
    (?: (?P<mark> [ \t]{0,8} (?: => | := | (?<!:):(?!:) | = ) (?!=) [ \t]{0,8} )
      | (?P<gap> [ ]{1,4} ) )
    (?P<value>
        \"{3} [^"]* \"{3}
      | '{3} [^']* '{3}
      | \"{2} [^"\n]+ \"{2}
      | (?P<slash> \\{1,3}["']) (?: (?!(?P=slash)) [^\n] )* (?P=slash)?
      | &quot; (?: (?!&quot;) [^\n] )* (?:&quot;)?
      | " (?: [^"\\\n] | \\[^\n] )* (?:"|\\)?
      | ' (?: [^'\\\n] | \\[^\n] | ''(?=\w) )* (?:'|\\)?
      | (?: [^\s"'`,;&<>()\[\]{}\\]
          | ["'`] (?=\w)
          | [,;&] (?=\w) (?! [\w.-]{1,40} [=:] )
          | [()\[\]{}] (?= [^\s"'`,;()\[\]{}] )
          | [()\[\]{}] (?= [()\[\]{}] [\w] )
          | < (?=\w) | > | \\ (?![nrt"'\\]) )+
    )
    """
)
_HEADS = re.compile(
    r"""(?i)(\bauthorization["']?[ \t]{0,4}[:=][ \t]{0,4}["']?(?:bearer|basic|token|digest)"""
    r"""[ \t]{1,4})([^\s"'<>,;]+)"""
)
"""What stands in an ``Authorization`` line of a web request."""
_SCHEME = re.compile(r"(?i)(?:bearer|basic|token|digest)$")
_FLAG = re.compile(r"(?<![\w-])--[\w-]{0,40}$")
_QUERY = re.compile(r"[?&;][\w.-]{0,40}$")
_SHELL = re.compile(r"(?:^|\b(?:export|env|set|-e) {1,4})[A-Z0-9_]{0,40}$")
_HARDWARE = re.compile(
    r"\b(?:assign|wire|reg|logic|localparam|input|output|inout|begin|always\w*)\b"
)
_LITERAL = re.compile(r"\d{0,4}'s?[bodhBODH][0-9a-fA-FxXzZ?_]+[;,)]?$")
_NAMES = re.compile(r"[A-Za-z_]\w*")
_QUOTES = re.compile(r"""(\\{1,3}["']|&quot;|"{1,3}|'{1,3})""")
_BEFORE = 80


def passwords_out(text: str, kept: frozenset[str]) -> str:
    """Return the text without passwords. A value made of ``kept`` names alone is none."""
    if "=" not in text and ":" not in text and "--" not in text:
        return text
    lower = text.lower()
    if not any(hint in lower for hint in _HINTS):
        return text
    if "authorization" in lower:
        text = _HEADS.sub(rf"\1{PASSWORD}", text)
    return _WORDS.sub(_replacing(kept), text)


def _replacing(kept: frozenset[str]) -> Callable[[re.Match[str]], str]:
    def replaced(match: re.Match[str]) -> str:
        value = match["value"]
        start, end = match.span("value")
        before = match.string[max(0, match.start() - _BEFORE) : match.start()]
        if not _is_secret(match, before.rpartition("\n")[2]) or _only(kept, value):
            return match.group()
        lead = match.string[match.start() : start]
        quote = _QUOTES.match(value)
        if quote is not None:
            mark = quote[1]
            tail = mark if value.endswith(mark) and len(value) > len(mark) else ""
            inner = value[len(mark) : len(value) - len(tail)]
            return f"{lead}{mark}{PASSWORD}{tail}" if inner else match.group()
        if match["head"] is not None and _SCHEME.match(value) is not None:
            return match.group()  # the next word is the secret: see _HEADS
        closed = match["closed"]
        if closed and match.string[start - 1 : start] in ": \t" and not _ends_inside(match, end):
            return f"{lead}{closed}{PASSWORD}{closed}"
        return lead + PASSWORD

    return replaced


def _ends_inside(match: re.Match[str], end: int) -> bool:
    """Tell whether an unquoted value stops at a quote, as within a quoted text."""
    return match.string[end : end + 1] in {'"', "'"}


def _is_secret(match: re.Match[str], before: str) -> bool:
    value = match["value"]
    quoted = _QUOTES.match(value) is not None
    if match["gap"] is not None:
        flag = _FLAG.search(before) is not None and match["closed"] is None
        return flag and not value.startswith("-")
    if match["head"] is not None:
        return True
    if quoted:
        return True
    if match["maybe"] is not None:
        tight = match["mark"] == "="
        if tight and (_QUERY.search(before) or _is_exported(match, before)):
            return True
        return _FLAG.search(before) is not None
    if value[0] in "[{(" and (match["closed"] or match["mark"] not in {"=", ":"}):
        return False
    if value in {"begin", "null", "true", "false", "none", "None"}:
        return False
    return _HARDWARE.search(before) is None and _LITERAL.match(value) is None


def _is_exported(match: re.Match[str], before: str) -> bool:
    """Tell a variable of a shell, as in ``export TOKEN=x``, from an assignment in a design."""
    after = match.string[match.end() : match.end() + 1]
    return match["maybe"].isupper() and after != ";" and _SHELL.search(before) is not None


def _only(kept: frozenset[str], value: str) -> bool:
    """Tell whether a value is made of names of the inputs, such as ``"in0..in3"``."""
    if not kept:
        return False
    names = _NAMES.findall(value)
    return bool(names) and kept.issuperset(names)
