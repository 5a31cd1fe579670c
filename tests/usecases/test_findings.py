"""A clinic's own list of coded findings: taken in before anything else, whole or not at all."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.domain.kinds import coded_finding
from service.errors import Misconfigured
from service.settings import Settings
from service.storage.records import Records
from service.usecases.findings import use_findings
from service.web.app import create_app

OWN = {"tests": {"own-ring-sign": "ring sign, invented"}}


@pytest.fixture(autouse=True)
def _own_list() -> Iterator[None]:
    """The list belongs to this process; what a test adds is taken off again."""
    before = {code: term.display for code, term in coded_finding.TESTS.items()}
    yield
    coded_finding.TESTS.clear()
    coded_finding.add_tests(before)


def written(folder: Path, text: str) -> Path:
    path = folder / "findings.json"
    path.write_text(text, encoding="utf-8")
    return path


def test_without_a_file_the_list_is_as_shipped() -> None:
    before = dict(coded_finding.TESTS)
    use_findings(None)
    assert before == coded_finding.TESTS


def test_the_same_list_may_be_taken_in_again(tmp_path: Path) -> None:
    path = written(tmp_path, json.dumps(OWN))
    use_findings(path)
    use_findings(path)
    assert coded_finding.TESTS["own-ring-sign"].display == "ring sign, invented"


@pytest.mark.parametrize(
    ("text", "where", "said"),
    [
        ("{", "", "not JSON"),
        ('{"tests": {"ring-sign": "ring sign"}}', ".ring-sign", "cannot be the code"),
        ('{"tests": {"own-a": "", "own-b": "b"}}', ".own-a", "needs its words"),
    ],
)
def test_a_file_that_cannot_be_used_names_the_setting_and_adds_nothing(
    tmp_path: Path, text: str, where: str, said: str
) -> None:
    before = dict(coded_finding.TESTS)
    with pytest.raises(Misconfigured, match=said) as refused:
        use_findings(written(tmp_path, text))
    assert [issue.where for issue in refused.value.issues] == [f"HANDRECORD_FINDINGS_FILE{where}"]
    assert before == coded_finding.TESTS


def test_a_file_that_cannot_be_read_names_the_setting(tmp_path: Path) -> None:
    with pytest.raises(Misconfigured, match="HANDRECORD_FINDINGS_FILE: The list of findings cannot be read: No such"):
        use_findings(tmp_path / "nowhere.json")
    spoilt = tmp_path / "spoilt.json"
    spoilt.write_bytes(b'{"tests": {"own-a": "\xff"}}')
    with pytest.raises(Misconfigured, match="cannot be read"):
        use_findings(spoilt)


def test_the_application_knows_the_clinics_own_tests(tmp_path: Path, sqlite_records: Records) -> None:
    create_app(Settings(findings_file=written(tmp_path, json.dumps(OWN))), sqlite_records)
    assert "own-ring-sign" in coded_finding.TESTS


def test_a_command_knows_them_and_tells_what_is_wrong_with_the_file(tmp_path: Path) -> None:
    def columns(text: str) -> subprocess.CompletedProcess[str]:
        environment = {"HANDRECORD_FINDINGS_FILE": str(written(tmp_path, text)), "PATH": ""}
        command = [sys.executable, "-m", "service", "columns"]
        return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)

    assert columns(json.dumps(OWN)).returncode == 0
    told = columns('{"tests": {"ring-sign": "ring sign"}}')
    assert told.returncode == 1
    assert "HANDRECORD_FINDINGS_FILE.ring-sign" in told.stderr
    assert "Traceback" not in told.stderr
