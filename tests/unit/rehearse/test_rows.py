"""What the engine gets is what a session with a board drives: reset first, rest filled in."""

from __future__ import annotations

import numpy as np
import pytest

from harness.rehearse import table_rows
from harness.table import load_table
from tests.published import demo, icarus


@pytest.mark.parametrize(("design", "table"), [("ram16x4", "bus"), ("lfsr", "period")])
def test_rows_are_those_that_the_second_opinion_gets(design: str, table: str) -> None:
    spec, shuttle = demo.table_spec(design, table), demo.shuttle()
    pattern = load_table(spec, demo.design(design), shuttle)
    rows, lead = table_rows(pattern, spec, shuttle)
    whole = icarus.stimulus(pattern, spec, shuttle)
    columns = (whole.drive, whole.enable, whole.pulse, whole.expect, whole.care, whole.highz)
    assert (rows == np.stack([*columns, whole.count, whole.until], axis=1)).all()
    assert lead == whole.reset_rows == (spec.reset_cycles > 0)
