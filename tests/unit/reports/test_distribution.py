"""Margins of many chips: what is said of each, where odd ones are seen, and what marks them."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import jsonschema

from harness.records import MarginRecord, margin_lots
from harness.store import History, of_chip, of_design
from harness_reports import Beyond, Links, history_html
from harness_reports.distribution import RULE, among_text, distributions, lots_of_run
from harness_reports.history import SubjectMargins
from harness_reports.html import chip_html, index_html
from harness_reports.margin_write import margins_html
from harness_reports.run_json import run_json
from tests.unit.reports.margin_samples import LIMIT_HZ, search
from tests.unit.reports.run_schema import run_schema
from tests.unit.reports.samples import sample_run

NOTHING = History((), (), met=False)


def rack(count: int = 12, run_id: str = "") -> list[MarginRecord]:
    """Chips whose limits are close to each other, and the last one, which passes but is slower."""
    made = [search(LIMIT_HZ * (1 + n / 300)) for n in range(count - 1)]
    made.append(search(LIMIT_HZ * 0.82, slot="A1"))
    return [
        replace(one, chip_serial=f"SP2-{n:04}", margin_id=f"m{n}", run_id=run_id)
        for n, one in enumerate(made)
    ]


def test_a_chip_is_told_where_it_is_among_the_others() -> None:
    *others, odd = rack()
    (lot,) = margin_lots([*others, odd])
    assert among_text(odd, lot) == (
        "ODD: 1 of 12, counted from the lowest, 10.8 robust sigma below the median; "
        "limits 11.334 kHz to 14.041 kHz"
    )
    assert among_text(others[-1], lot).startswith("12 of 12, counted from the lowest, 1.0 robust")
    assert among_text(search(margin_id="other"), lot) == ""


def test_few_chips_and_equal_ones_have_no_limits_and_the_text_says_why() -> None:
    few = rack(5)
    assert among_text(few[-1], margin_lots(few)[0]) == (
        "1 of 5, counted from the lowest; limits need 10 chips"
    )
    same = [search(chip_serial=f"SP2-{n:04}", margin_id=f"m{n}") for n in range(11)]
    odd = rack()[-1]
    (lot,) = margin_lots([*same, odd])
    assert among_text(odd, lot) == (
        "1 of 12, counted from the lowest; no limits, as the quartiles are equal"
    )
    (shown,) = distributions([lot], 6)
    assert shown.summary == (
        "The latest search of each chip: from 10.25 kHz to 12.5 kHz; no limits, as the quartiles "
        "are equal."
    )


def test_the_plot_has_a_mark_for_each_chip_and_another_shape_for_an_odd_one() -> None:
    (shown,) = distributions(margin_lots(rack()), 6)
    uses = re.findall(r'<use class="m-(\w+)"', shown.plot)
    assert (uses.count("pass"), uses.count("unstable")) == (11, 1)
    assert shown.summary.endswith(" Odd: SP2-0011 (10.25 kHz).")
    assert [chip.odd for chip, _ in shown.rows] == [True] + [False] * 11
    assert distributions(margin_lots(rack(9)), 6) == ()


def test_the_page_of_a_design_shows_its_chips_and_names_the_rule() -> None:
    margins = SubjectMargins(tuple(rack()))
    page = history_html(of_design("crc16"), NOTHING, Links(), margins).decode()
    assert "crc16 on 12 chips" in page
    assert RULE in page
    assert page.index(", ODD") < page.index("SP2-0000 / crc16"), "odd ones come first"


def test_the_page_of_a_chip_has_a_line_on_it_and_no_plot_of_others() -> None:
    *others, odd = rack()
    margins = SubjectMargins((odd,), tuple(others))
    page = history_html(of_chip("SP2-0011"), NOTHING, Links(), margins).decode()
    assert "ODD: 1 of 12, counted from the lowest" in page
    assert '<td class="n">1 of 12</td>' in page
    assert "Margins of many chips" not in page
    assert "ODD: 1 of 12" in margins_html([odd], others).decode()


def test_a_runs_pages_and_its_json_mark_the_odd_chip() -> None:
    run = sample_run()
    margins = rack(run_id=run.run_id)
    slow = margins[-1]
    assert slow.slot == run.chips[0].slot
    later = replace(slow, margin_id="later", run_id="", edges=margins[0].edges)
    later = replace(later, measured=slow.measured.replace(year=2027))
    around = Beyond(margins=[*margins, later])
    assert ", ODD" in index_html(run.overview, around).decode()
    assert "ODD: 1 of 12" in chip_html(run, run.chips[0], around).decode()
    (lot,) = lots_of_run(run.run_id, [*margins, later])
    assert [chip.margin_id for chip in lot.odd] == [slow.margin_id], "as it was then"
    whole = json.loads(run_json(run, [*margins, later]))
    jsonschema.validate(whole, run_schema(), jsonschema.Draft202012Validator)
    (written,) = whole["lots"]
    assert [chip["chip_serial"] for chip in written["chips"] if chip["odd"]] == ["SP2-0011"]
    assert written["limits"].keys() == {"median_hz", "sigma_hz", "low_hz", "high_hz"}
    assert "lots" not in json.loads(run_json(run))
