"""The part of a night's page that says what changed since the baseline."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from lxml import html

from harness.judge import Change, NightChanges
from harness.records import Reason, Verdict
from harness_reports.html import index_html, since_html
from harness_reports.ways import Beyond, Links
from tests.unit.reports.samples import sample_run

GONE = "Not run: there is no such port"


def change(
    table: str, now: Verdict, why: str, chip: str = "SP2-0006", before: Verdict | None = None
) -> Change:
    return Change(
        "A6", chip, "crc16", table, before, now, before is now, Reason.BOARD_UNUSABLE, why
    )


def words(found: NightChanges) -> str:
    page = html.fromstring(index_html(sample_run().overview, Beyond(night=found)))
    part = page.xpath("//section[h2/@id='since']")[0]
    return " ".join(part.text_content().split())


def test_a_page_without_a_comparison_has_no_such_part() -> None:
    assert b'id="since"' not in index_html(sample_run().overview)


def test_tables_of_a_chip_with_one_reason_stand_together_and_known_ones_are_counted() -> None:
    lost = [change(f"t{number}", Verdict.NOT_RUN, GONE) for number in range(9)]
    known = change("old", Verdict.ERROR, "open pin", "SP2-0005", Verdict.ERROR)
    text = words(NightChanges("run-1", (), (), (), (known, *lost), ()))
    assert (
        "NOT RUN SP2-0006 crc16 / t0, crc16 / t1, crc16 / t2, crc16 / t3, crc16 / t4, 4 more: "
        in text
    )
    assert "1 table as before." in text
    assert "open pin" not in text


def test_a_page_says_when_its_baseline_was_accepted_and_why() -> None:
    when, why = datetime(2026, 3, 4, tzinfo=UTC), "SP2-0005 is known\nto be bad"
    found = NightChanges("run-1", (), (), (), (), (), accepted=when, reason=why)
    assert words(found).startswith(
        "Since the baseline This night is compared with run run-1, accepted 2026-03-04: "
        "SP2-0005 is known\\nto be bad Newly failing"
    )
    unexplained = words(replace(found, reason=""))
    assert "compared with run run-1, accepted 2026-03-04 Newly failing" in unexplained


def test_a_comparison_names_the_earlier_run_by_its_date_and_leads_there() -> None:
    found = NightChanges("run-1", (), (), (), (), (), begun=datetime(2026, 3, 4, 5, 6, tzinfo=UTC))
    beyond = Beyond(Links(run=lambda run_id: f"../{run_id}/index.html"))
    page = html.fromstring(since_html(sample_run().overview, found, beyond))
    (head,) = page.xpath("//header")
    assert " ".join(head.text_content().split()).endswith(
        f"What changed since the run of 2026-03-04 05:06 UTC Run {sample_run().run_id} since run-1"
    )
    assert head.xpath(".//a/@href") == ["../run-1/index.html"]
    assert page.xpath("string(//nav[@aria-label='Breadcrumbs']//*[@aria-current])") == (
        "Since 2026-03-04 05:06 UTC"
    )


def test_so_many_news_that_a_page_would_drown_in_them_are_left_to_the_file() -> None:
    news = [change("t", Verdict.FAIL, "low", f"SP2-{number:04}") for number in range(25)]
    text = words(NightChanges("run-1", tuple(news), (), (), (), ()))
    assert text.count("FAIL SP2-") == 20
    assert "5 more tables in night.json" in text
    whole = NightChanges("run-1", tuple(news), (), (), (), ())
    assert since_html(sample_run().overview, whole, Beyond()).count(b"crc16 / t") == 25, (
        "a comparison has all"
    )


def test_a_first_night_says_how_it_becomes_the_baseline_and_escapes_what_it_shows() -> None:
    found = NightChanges("", (change("t", Verdict.FAIL, "<script>x</script>"),), (), (), (), ())
    assert f"harness accept {sample_run().run_id} makes this run the baseline." in words(found)
    assert b"<script>x" not in index_html(sample_run().overview, Beyond(night=found))
