"""A clinic's own list of coded findings, taken in before anything else is done with the record."""

from __future__ import annotations

from pathlib import Path

from service.domain.kinds import coded_finding
from service.errors import Issue, Misconfigured


def use_findings(path: Path | None) -> None:
    """Extend the list of coded findings for this process by the clinic's file, whole or not at all.

    Raises `Misconfigured`, with every reason, for a file that cannot be used. A code that was ever used stays in the
    file: readings with a code that the list no longer has cannot be read.
    """
    if path is None:
        return
    try:
        tests = coded_finding.tests_in(path.read_text(encoding="utf-8"))
        coded_finding.require_own(tests)
        coded_finding.add_tests(tests)
    except (OSError, UnicodeDecodeError) as problem:
        message = f"The list of findings cannot be read: {getattr(problem, 'strerror', None) or problem}."
        raise Misconfigured(Issue("exception", message, "HANDRECORD_FINDINGS_FILE")) from problem
    except Misconfigured as error:
        raise Misconfigured(*(issue.at("HANDRECORD_FINDINGS_FILE") for issue in error.issues)) from error
