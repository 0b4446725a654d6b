"""What people and CI read, made from stored outcomes only.

One module a product: ``html``, ``card``, ``junit``, ``run_json``, ``waveform``, ``frame``,
``history``; ``write`` puts those of a run into a folder, ``bundle`` and ``archive`` into a zip,
and ``run_files`` makes one of them on demand.
The one rule: a report is worked out from a record and nothing else.
"""

from harness_reports.archive import (
    LARGEST_BUNDLE,
    LARGEST_FILE,
    MANIFEST,
    name_trouble,
    pack,
    unpack,
)
from harness_reports.bundle import (
    INPUTS,
    RUN,
    TICKET,
    BundleInputs,
    altered_inputs,
    bundle_files,
    one_chip,
)
from harness_reports.card import WrittenCard, card_html, label_html, qr_text, report_of, write_card
from harness_reports.frame import margins_frame, outcomes_frame
from harness_reports.history import (
    Anchor,
    Links,
    margins_of,
)
from harness_reports.history_write import (
    WrittenHistories,
    history_html,
    history_policy,
    subjects_html,
    write_histories,
)
from harness_reports.html import chip_html, index_html, page_environment, style_text
from harness_reports.junit import chip_junit, run_junit
from harness_reports.looks import Look, Tally, look, tally, worst
from harness_reports.margin_texts import drop_text, edge_text, limit_text
from harness_reports.margin_view import exactly
from harness_reports.margin_write import margins_html, write_margins
from harness_reports.mismatches import mismatches_csv
from harness_reports.names import safe_name
from harness_reports.run_files import RunFile, chip_pages, run_file, slot_of_file
from harness_reports.run_json import parse_run_json, read_run_json, run_json, run_schema
from harness_reports.secrets import Scrubber
from harness_reports.texts import clock, hertz, many
from harness_reports.ticket import is_ticket, ticket_markdown
from harness_reports.waveform import waveform
from harness_reports.write import (
    WrittenChip,
    WrittenReports,
    remove_file,
    why_unwritable,
    write_file,
    write_run,
)

__all__ = [
    "INPUTS",
    "LARGEST_BUNDLE",
    "LARGEST_FILE",
    "MANIFEST",
    "RUN",
    "TICKET",
    "Anchor",
    "BundleInputs",
    "Links",
    "Look",
    "RunFile",
    "Scrubber",
    "Tally",
    "WrittenCard",
    "WrittenChip",
    "WrittenHistories",
    "WrittenReports",
    "altered_inputs",
    "bundle_files",
    "card_html",
    "chip_html",
    "chip_junit",
    "chip_pages",
    "clock",
    "drop_text",
    "edge_text",
    "exactly",
    "hertz",
    "history_html",
    "history_policy",
    "index_html",
    "is_ticket",
    "label_html",
    "limit_text",
    "look",
    "many",
    "margins_frame",
    "margins_html",
    "margins_of",
    "mismatches_csv",
    "name_trouble",
    "one_chip",
    "outcomes_frame",
    "pack",
    "page_environment",
    "parse_run_json",
    "qr_text",
    "read_run_json",
    "remove_file",
    "report_of",
    "run_file",
    "run_json",
    "run_junit",
    "run_schema",
    "safe_name",
    "slot_of_file",
    "style_text",
    "subjects_html",
    "tally",
    "ticket_markdown",
    "unpack",
    "waveform",
    "why_unwritable",
    "worst",
    "write_card",
    "write_file",
    "write_histories",
    "write_margins",
    "write_run",
]
