"""Takes secrets out of a spreadsheet, which is a zip of XML files with its author's name in them.

One rule: cells stay what they are; names of people in the document's properties are emptied, and
what is no XML (pictures, settings of printers) is left out, for no table is read from it.
"""

from __future__ import annotations

import html
import io
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from xml.sax.saxutils import escape

from harness.errors import BundleError
from harness.table import SheetUnfit, look_through
from harness_reports import Scrubber

SHEETS = (".xlsx", ".ods")

_MOMENT = (1980, 1, 1, 0, 0, 0)
_PEOPLE = re.compile(
    r"(<((?:\w+:)?(?:creator|lastModifiedBy|initial-creator|printed-by|author|Company|Manager"
    r"|user-defined))(?: [^>]*)?>)[^<]*(</\2>)"
)
_OWN = re.compile(r"(<((?:\w+:)?(?:lpw?str|bstr))(?: [^<>]*)?>)[^<]*(</\2>)")
_PERSON = re.compile(r'(\b(?:displayName|userId|userName)=")[^"]*(")')
_LOCKS = re.compile(r"<(?:\w+:)?(?:sheetProtection|workbookProtection|fileSharing)\b[^<>]*/>")
_TEXTS = (".xml", ".rels", ".rdf", ".vml")
_MENTION = re.compile(
    r"""<(?:\w+:)?(?:Relationship|Override|file-entry)\b[^<>]*?"""
    r"""(?:Target|PartName|full-path)=["']([^"'<>]*)["'][^<>]*/>"""
)
_PRINTER = re.compile(r"""(<(?:\w+:)?pageSetup\b[^<>]*?)\s\w+:id=["'][^"'<>]*["']""")
_PIECE = re.compile(
    r"""(?P<open><!\[CDATA\[)(?P<raw>[^\]<]*)"""
    r"""|(?P<lead>(?<=\s)(?P<key>[\w:.-]+)\s{0,4}=\s{0,4})(?P<value>"[^"<]*"|'[^'<]*')"""
    r"""|(?<=>)(?P<text>[^<]+)"""
)
_VOCABULARY = re.compile(
    r"xmlns(?::.*)?|Type|ContentType|PartName|Id|Extension|(?:\w+:)?(?:full-path|media-type|id)"
)
_MAIL = re.compile(r"(?i)mailto:[^?\s]+")
_WORD = re.compile(r"<(path|address|user|password)>")


def refuse_unfit_sheet(data: bytes, place: Path) -> None:
    """Raise BundleError for a spreadsheet that is damaged, or would cost too much to read."""
    try:
        look_through(data)
    except SheetUnfit as unfit:
        raise BundleError.of(unfit.rule, place, unfit.message, unfit.advice) from unfit


def sheet_without_secrets(data: bytes, scrubber: Scrubber) -> bytes:
    """Return the spreadsheet without names of people and secrets; as it is if there are none."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        infos = [info for info in archive.infolist() if _is_needed(info.filename)]
        left_out = {info.filename for info in archive.infolist()} - {i.filename for i in infos}
        before = {info.filename: archive.read(info) for info in infos}
    member = _Member(scrubber, _last(before), _last(left_out))
    after = {name: member.without_secrets(name, content) for name, content in before.items()}
    if after == before and not left_out:
        return data
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for old in infos:  # in the old order: ODS wants its kind first, and not packed
            info = zipfile.ZipInfo(old.filename, _MOMENT)
            info.compress_type, info.create_system = old.compress_type, 3
            archive.writestr(info, after[old.filename])
    return stream.getvalue()


def _is_needed(name: str) -> bool:
    return name == "mimetype" or name.endswith("/") or name.lower().endswith(_TEXTS)


def _last(names: dict[str, bytes] | set[str]) -> frozenset[str]:
    return frozenset(name.rpartition("/")[2] for name in names)


class _Member:
    """Cleans the files of one spreadsheet. ``parts`` and ``gone`` are last parts of names."""

    def __init__(self, scrubber: Scrubber, parts: frozenset[str], gone: frozenset[str]) -> None:
        self._scrubber, self._parts, self._gone = scrubber, parts, gone

    def without_secrets(self, name: str, content: bytes) -> bytes:
        if not name.lower().endswith(_TEXTS):
            return content
        text = content.decode("utf-8", "surrogateescape")
        text = _LOCKS.sub("", _PERSON.sub(r"\1\2", _PEOPLE.sub(r"\1\3", text)))
        if name.lower().endswith("docprops/custom.xml"):
            text = _OWN.sub(r"\1\3", text)
        if self._gone:
            text = _PRINTER.sub(r"\1", _MENTION.sub(self._mention, text))
        return _PIECE.sub(self._piece, text).encode("utf-8", "surrogateescape")

    def _mention(self, match: re.Match[str]) -> str:
        """Take out what points to a file that is left out."""
        return "" if match[1].rpartition("/")[2] in self._gone else match.group()

    def _piece(self, match: re.Match[str]) -> str:
        """Clean one text or value; names of XML vocabularies look like addresses and are none."""
        if match["raw"] is not None:
            return match["open"] + self._words(match["raw"], str)
        if match["text"] is not None:
            return self._words(match["text"], escape)
        key, quote, value = match["key"], match["value"][0], match["value"][1:-1]
        if _VOCABULARY.fullmatch(key) or (
            key == "Target" and value.rpartition("/")[2] in self._parts
        ):
            return match.group()
        clean = self._words(value, lambda text: escape(text, {quote: f"&#{ord(quote)};"}))
        return f"{match['lead']}{quote}{clean}{quote}"

    def _words(self, raw: str, escaped: Callable[[str], str]) -> str:
        """Clean a text, in which the words for secrets stand in round brackets, for XML's sake."""
        plain = raw if escaped is str else html.unescape(raw)
        clean = _MAIL.sub("mailto:<address>", self._scrubber.text(plain))
        return raw if clean == plain else escaped(_WORD.sub(r"(\1)", clean))
