"""Pages can be made of every possible record."""

from __future__ import annotations

from hypothesis import HealthCheck, given

from harness.records import MarginRecord, RunRecord
from harness_reports import chip_html
from harness_reports.html import index_html
from harness_reports.margin_write import margins_html
from tests.examples import few
from tests.unit.records.possible import MARGINS, RUNS

LARGE = [HealthCheck.too_slow, HealthCheck.data_too_large]


@few(8, suppress_health_check=LARGE)
@given(MARGINS, MARGINS)
def test_any_margin_has_a_page(margin: MarginRecord, earlier: MarginRecord) -> None:
    assert margins_html([margin], [earlier]).endswith(b"</html>")


@few(4, suppress_health_check=LARGE)
@given(RUNS)
def test_any_run_has_its_pages(run: RunRecord) -> None:
    assert index_html(run.overview).endswith(b"</html>")
    for chip in run.chips:
        assert chip_html(run, chip).endswith(b"</html>")
