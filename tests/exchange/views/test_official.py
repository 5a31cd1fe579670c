"""The public tests of SQL on FHIR v2 (FHIR/sql-on-fhir-v2, tests/), every one of them."""

import json
import os
from decimal import Decimal
from pathlib import Path

import pytest

from service.errors import Invalid
from service.exchange.views.definition import read_view
from service.exchange.views.runner import rows

FOLDER = Path(os.environ.get("HANDRECORD_TEST_DATA", "../shared/data")) / "sql-on-fhir-tests"


def _cases():
    if not FOLDER.is_dir():
        yield pytest.param(None, None, marks=pytest.mark.skip(reason="the public test material is not at hand"))
        return
    for path in sorted(FOLDER.glob("*.json")):
        suite = json.loads(path.read_text(), parse_float=Decimal)
        for test in suite["tests"]:
            yield pytest.param(suite["resources"], test, id=f"{path.stem}: {test['title']}")


def _comparable(found):
    """Rows in any order; numbers as floats, since the tests give quotients in the digits of a float."""
    return sorted(json.dumps(row, sort_keys=True, default=float) for row in found)


@pytest.mark.parametrize(("resources", "test"), list(_cases()))
def test_official(resources, test):
    if test.get("expectError"):
        with pytest.raises(Invalid) as refused:
            list(rows(read_view(test["view"]), resources))
        assert all(issue.where.startswith("ViewDefinition") for issue in refused.value.issues)
        return
    view = read_view(test["view"])
    found = list(rows(view, resources))
    assert _comparable(found) == _comparable(test["expect"])
    if "expectColumns" in test:
        assert [column.name for column in view.columns] == test["expectColumns"]
        assert all(list(row) == test["expectColumns"] for row in found)


def test_every_file_of_the_suite_is_read():
    if not FOLDER.is_dir():
        pytest.skip("the public test material is not at hand")
    assert len(list(_cases())) == 86
