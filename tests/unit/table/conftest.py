"""The desk that the tests of tables share."""

from __future__ import annotations

import pytest

from tests.unit.table.tables import Desk, make_desk


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return make_desk(tmp_path_factory.mktemp("desk"))
