"""What people and CI read, made from stored outcomes only.

One module a product: ``html``, ``card``, ``junit``, ``run_json``, ``waveform``, ``frame``;
``write`` puts them all into a folder, ``bundle`` and ``archive`` into a zip.
The one rule: a report is worked out from a record and nothing else.
"""

from reports.archive import LARGEST_BUNDLE, MANIFEST, name_trouble, pack, unpack
from reports.bundle import (
    INPUTS,
    RUN,
    TICKET,
    BundleInputs,
    altered_inputs,
    bundle_files,
    one_chip,
)
from reports.card import WrittenCard, card_html, label_html, qr_text, report_of, write_card
from reports.frame import outcomes_frame
from reports.html import chip_html, index_html
from reports.junit import chip_junit, run_junit
from reports.mismatches import mismatches_csv
from reports.names import safe_name
from reports.run_json import parse_run_json, read_run_json, run_json, run_schema
from reports.secrets import Scrubber
from reports.ticket import ticket_markdown
from reports.waveform import waveform
from reports.write import WrittenChip, WrittenReports, write_file, write_run

__all__ = [
    "INPUTS",
    "LARGEST_BUNDLE",
    "MANIFEST",
    "RUN",
    "TICKET",
    "BundleInputs",
    "Scrubber",
    "WrittenCard",
    "WrittenChip",
    "WrittenReports",
    "altered_inputs",
    "bundle_files",
    "card_html",
    "chip_html",
    "chip_junit",
    "index_html",
    "label_html",
    "mismatches_csv",
    "name_trouble",
    "one_chip",
    "outcomes_frame",
    "pack",
    "parse_run_json",
    "qr_text",
    "read_run_json",
    "report_of",
    "run_json",
    "run_junit",
    "run_schema",
    "safe_name",
    "ticket_markdown",
    "unpack",
    "waveform",
    "write_card",
    "write_file",
    "write_run",
]
