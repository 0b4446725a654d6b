"""Our JUnit XML against the schema in pytest's source package (see ``data/README.md``)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import xmlschema
from lxml import etree

from harness.judge import NightChanges
from harness.records import RunRecord
from harness_reports import chip_junit
from harness_reports.junit import run_junit
from tests.unit.reports.samples import hostile_run, long_chip, run_of, sample_run

XSD = Path(__file__).parent / "data" / "junit-10.xsd"


def _long() -> RunRecord:
    return run_of(long_chip())


@pytest.mark.parametrize("make", [sample_run, hostile_run, _long, run_of])
def test_every_file_is_valid_to_two_validators(make: Callable[[], RunRecord]) -> None:
    run = make()
    with_lxml = etree.XMLSchema(etree.parse(str(XSD)))
    with_xmlschema = xmlschema.XMLSchema(str(XSD))
    for data in [b"".join(run_junit(run)), *(chip_junit(run, chip) for chip in run.chips)]:
        with_lxml.assertValid(etree.fromstring(data))
        with_xmlschema.validate(etree.fromstring(data))


def test_a_night_that_was_stopped_is_valid_too() -> None:
    nothing = NightChanges("", (), (), (), (), ())
    data = b"".join(run_junit(replace(sample_run(), cancelled=True), nothing))
    assert b'name="night"' in data
    etree.XMLSchema(etree.parse(str(XSD))).assertValid(etree.fromstring(data))


def test_the_schema_does_refuse_what_the_builder_alone_would_write() -> None:
    data = b"".join(run_junit(sample_run())).replace(b"<testsuite ", b'<testsuite disabled="0" ', 1)
    with_lxml = etree.XMLSchema(etree.parse(str(XSD)))
    assert not with_lxml.validate(etree.fromstring(data))
