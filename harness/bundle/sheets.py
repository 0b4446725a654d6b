"""Takes secrets out of a spreadsheet, which is a zip of XML files with its author's name in them.

One rule: cells stay what they are; names of people in the document's properties are emptied.
"""

from __future__ import annotations

import io
import re
import zipfile

from reports import Scrubber

SHEETS = (".xlsx", ".ods")

_MOMENT = (1980, 1, 1, 0, 0, 0)
_PEOPLE = re.compile(
    r"(<((?:\w+:)?(?:creator|lastModifiedBy|initial-creator|printed-by|author|Company|Manager))"
    r"(?: [^>]*)?>)[^<]*(</\2>)"
)
_PERSON = re.compile(r'(\b(?:displayName|userId|userName)=")[^"]*(")')
_TEXTS = (".xml", ".rels", ".rdf")


def sheet_without_secrets(data: bytes, scrubber: Scrubber) -> bytes:
    """Return the spreadsheet without names of people and secrets; as it is if there are none."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        infos = archive.infolist()
        before = {info.filename: archive.read(info) for info in infos}
    after = {name: _member(name, content, scrubber) for name, content in before.items()}
    if after == before:
        return data
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for old in infos:  # in the old order: ODS wants its kind first, and not packed
            info = zipfile.ZipInfo(old.filename, _MOMENT)
            info.compress_type, info.create_system = old.compress_type, 3
            archive.writestr(info, after[old.filename])
    return stream.getvalue()


def _member(name: str, content: bytes, scrubber: Scrubber) -> bytes:
    if not name.lower().endswith(_TEXTS):
        return content
    text = content.decode("utf-8", "surrogateescape")
    text = _PERSON.sub(r"\1\2", _PEOPLE.sub(r"\1\3", text))
    # names of XML vocabularies look like addresses and are none
    parts = re.split(r"""((?:xmlns(?::\w+)?|Type|Target)=["'][^"']*["'])""", text)
    parts[::2] = [scrubber.text(part).replace("<path>", "(path)") for part in parts[::2]]
    return "".join(parts).encode("utf-8", "surrogateescape")
