"""Takes out of texts what must stay in the lab: user names, host paths, addresses with passwords.

The one rule: what is taken out is replaced by a word in angle brackets, never dropped, so that a
reader sees that something stood there. Names of serial devices stay: they identify no person.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TypeVar

from harness.records import rewritten
from harness_reports.passwords import passwords_out

Record = TypeVar("Record")

PATH, ADDRESS, USER = "<path>", "<address>", "<user>"

# what may stand before the last @ of an address; a port is no password
_WHO = r"""[^\s"'/?#:\[]{0,128}"""
_PORT = r"""(?!\d{1,5}(?:[/?#\s"',;)]|$))"""
_URL = re.compile(
    rf"""\b([A-Za-z][A-Za-z0-9+.-]{{0,30}})://"""
    rf"""({_WHO}:{_PORT}(?:[^\s"']|["'](?=[^\s"',]{{0,64}}@)){{0,256}}@"""
    rf"""|{_WHO}:{_PORT}[^\n"'@]{{0,128}}@(?=\w)"""
    rf"""|[^\s"'/?#]{{0,128}}@)?"""
    rf"""((?:/+(?:[A-Za-z]:/+)?(?:home|Users)/[^\s"'<>/]+ [^\s"'<>/]+(?=/))?[^\s"'<>]+)"""
)
_MAIL = re.compile(
    r"(?<![\w.+-])[\w.+-]+@[A-Za-z0-9-]+(?:\.[A-Za-z0-9-]+)*\.[A-Za-z][A-Za-z0-9-]*(?!\w)"
)
_LOGIN = re.compile(
    r"""(?i)(?<![\w.-])(user(?:name)?|uid|login|user id)=("[^"\n]*"|'[^'\n]*'|[^\s;&,"'()<>=]+)"""
)
_SERVER = re.compile(
    r"""(?i)(?<![\w.-])(host|hostaddr|server|data source)=([^\s;&,"'()<>=]+)(?=[ ;&]+\w{1,20}=)"""
)
_DSN = re.compile(r"(?i)(?<![\w.-])(?:user|uid|user id|dbname|database|password|pwd)=")
_ASSIGNED = re.compile(r"\b(?:assign|wire|reg|logic|localparam|parameter)\b[^\n]*$")

_END = r"""[^\s"'`<>|:;,()\[\]{}/\\]"""
_ROOTS = (
    "builds|data|etc|export|home|lab|labs|media|mnt|net|nfs|opt|private|proc|root|run|scratch|srv|"
    "tmp|usr|var|work|workspace|Library|Users|Volumes"
)
_DEEP = (
    r"afs|beegfs|cad|cluster|eda|gpfs|homes|lustre|nobackup|proj|projects?|remote|shared|storage|"
    r"tools|u|users?|volumes?|(?:data|home|scratch|lab|work|disk|export|mnt)\d{1,3}"
)
"""Roots that are words elsewhere: a path only with a part below."""
_BEGIN = r"(?:(?<!<path>)(?<!<user>)(?<![\w./\\<-])|(?<=\s-[A-Z])|(?<=[\"'=,]-[A-Z])|(?<=\A-[A-Z]))"
_POSIX = re.compile(
    rf"{_BEGIN}/(?:(?:home|Users)/{_END}+(?: {_END}+(?=/))?|(?:{_ROOTS})(?=/)"
    rf"|(?:{_DEEP})/+{_END}+)"
    rf"(?:/+{_END}*)*"
)
_ESCAPED = re.compile(rf"(?<![\w\\])\\/(?:(?:{_ROOTS})|(?:{_DEEP}))(?:\\/{_END}+)+(?:\\/)?")
_INSIDE = re.compile(rf"(?<=[\"'|])/(?!dev/){_END}+(?:/+{_END}+){{2,}}/?")
_TILDE = re.compile(rf"(?<![\w~/\\.)-])~[A-Za-z_][\w.-]*(?:/+{_END}+)+/?")
_WINDOWS = re.compile(rf"(?<!\w)[A-Za-z]:[\\/]+(?:{_END}+(?: {_END}+)*[\\/]+)*{_END}+")
_SHARE = re.compile(rf"(?<![\\\w])\\{{2,4}}{_END}+(?:\\+{_END}+)+")
_SLASHES = re.compile(rf"(?<![\w:/\\<>.-])//{_END}+(?:/{_END}+){{2,}}")
_HOMES = re.compile(r"(?:homes?\d*|users?|u)", re.IGNORECASE)

COMMON_NAMES = {"admin", "build", "builder", "lab", "pi", "root", "runner", "test", "user"}
"""Account names that identify no person and are common words."""


@dataclass(frozen=True)
class Scrubber:
    """Takes secrets out. ``names`` are words and ``folders`` path beginnings of this computer.

    Names of fewer than three letters and :data:`COMMON_NAMES` are left alone. ``kept`` are names
    of pins and designs, which are no passwords even where they stand like one.
    """

    names: tuple[str, ...] = ()
    folders: tuple[str, ...] = ()
    kept: frozenset[str] = frozenset()

    def text(self, text: str) -> str:
        """Return the text without secrets."""
        clean = text
        if "://" in clean:
            clean = _URL.sub(_address, clean)
        clean = passwords_out(clean, self.kept)
        if "=" in clean and _DSN.search(clean):
            clean = _SERVER.sub(rf"\1={ADDRESS}", clean)
            clean = _LOGIN.sub(self._login, clean)
        if "@" in clean:
            clean = _MAIL.sub(ADDRESS, clean)
        if "/" in clean or "\\" in clean:
            for pattern in (*self._folders, _ESCAPED, _POSIX, _INSIDE, _WINDOWS, _SHARE, _SLASHES):
                clean = pattern.sub(_path, clean)
            if "~" in clean:
                clean = _TILDE.sub(_tilde, clean)
        return self._names.sub(USER, clean) if self._names else clean

    def names_in(self, text: str) -> tuple[str, ...]:
        """Return the names of this computer that stand in a text, sorted."""
        matches = self._names.finditer(text) if self._names else ()
        return tuple(sorted({match.group() for match in matches}))

    def _login(self, match: re.Match[str]) -> str:
        key, value = match.groups()
        before = match.string[max(0, match.start() - 80) : match.start()]
        if value.strip("\"'") in self.kept or _ASSIGNED.search(before):
            return match.group()
        quote = value[0] if value[0] in "\"'" else ""
        return f"{key}={quote}{USER}{quote}"

    def record(self, record: Record) -> Record:
        """Return a copy of a frozen record with every text in it scrubbed.

        The same texts come back in many places of a record: each is looked through once.
        """
        return rewritten(record, cache(self.text))

    @cached_property
    def _folders(self) -> tuple[re.Pattern[str], ...]:
        wanted = sorted({f.rstrip("/\\") for f in self.folders}, key=len, reverse=True)
        return tuple(
            re.compile(rf"{_BEGIN}{re.escape(folder)}(?!\w)(?:[/\\]+{_END}*)*")
            for folder in wanted
            if len(folder) > 1
        )

    @cached_property
    def _names(self) -> re.Pattern[str] | None:
        return _words(n for n in self.names if len(n) >= 3 and n.lower() not in COMMON_NAMES)


def _words(names: Iterable[str]) -> re.Pattern[str] | None:
    escaped = [re.escape(name) for name in sorted(set(names), key=len, reverse=True)]
    pattern = rf"(?i)(?<!\w)(?:{'|'.join(escaped)})(?!\w)(?:(?:\.[A-Za-z0-9-]+){{2,6}}(?!\w))?"
    return re.compile(pattern) if escaped else None


def _address(match: re.Match[str]) -> str:
    """Keep a web address without its user; of any other address keep the scheme."""
    scheme, who, rest = match.groups()
    if scheme.lower() not in {"http", "https"}:
        return f"{scheme}://{ADDRESS}"
    return match.group() if who is None else f"{scheme}://{USER}@{rest}"


def _path(match: re.Match[str]) -> str:
    """Keep the last part of a path, unless it is, or may be, the name of somebody's folder.

    Two slashes stay, for they begin a comment in Verilog.
    """
    whole = match.group()
    parts = [part for part in re.split(r"[/\\]+", whole) if part]
    lead = "//" if whole.startswith("//") else ""
    least = 4 if lead or whole.startswith("\\\\") else 3
    bare = len(parts) < least and "." not in parts[-1][1:]
    if len(parts) < 2 or bare or _HOMES.fullmatch(parts[-2]):
        return lead + PATH
    return f"{lead}{PATH}/{parts[-1]}"


def _tilde(match: re.Match[str]) -> str:
    """Tell somebody's folder from a division after an inversion, as in ``y = ~a/b;``."""
    text, start = match.string, match.start()
    before = text[max(0, start - 8) : start].rstrip(" \t")[-1:]
    line = text[match.end() : match.end() + 200].partition("\n")[0]
    if before and before in "=(&|^+*?:{,<-" and (";" in line or before in "(&|^+*?{<-"):
        return match.group()
    return _path(match)
