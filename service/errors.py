"""Everything that can go wrong, as one tree.

    RecordError                     the request or the data cannot be used as it stands
    ├── Malformed                   not readable as what it claims to be (JSON, CSV, a date)
    ├── Invalid                     readable, but breaks a rule of the standard or of the trade
    │   └── NeedsConfirmation       unlikely but possible: accepted once a person confirms it with a reason
    ├── NotFound                    there is no such thing
    ├── Gone                        there was, and it has been deleted
    ├── NotSupported                the record does not do this
    ├── Conflict                    the thing has changed meanwhile, or a rule of its state forbids this
    │   ├── Duplicate               it is already here, with other content
    │   └── SeveralMatches          the condition fits more than one
    ├── PreconditionFailed          a stated version is not the present one
    ├── NotIdentified               nobody has shown who they are, or not in a way that holds
    ├── Forbidden                   this person may not do this
    ├── TooMany                     more requests than one client may make
    ├── Unavailable                 it cannot be done at the moment
    ├── TooLarge                    more than the configured limit
    ├── UnsupportedFormat           the body is in a format that is not read here
    ├── NotAcceptable               the answer is wanted in a format that is not written here
    └── Misconfigured               a setting contradicts another, or the database

Each error carries a list of `Issue`s, the vocabulary of FHIR's OperationOutcome
(https://hl7.org/fhir/R4/valueset-issue-type.html). How an error becomes an HTTP status is the web layer's business.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

Severity = Literal["fatal", "error", "warning", "information"]


@dataclass(frozen=True, slots=True)
class Issue:
    """One thing a person must know in order to mend something.

    `message` is a whole sentence. `where` is a FHIRPath expression, a field of a visit, or a place in a file
    (`row 12, column value`). `value` is what stood there, `rule` the short name of the rule it broke,
    `expected` what would be right.
    """

    code: str
    message: str
    where: str = ""
    value: str = ""
    rule: str = ""
    expected: str = ""
    severity: Severity = "error"

    def at(self, place: str) -> Issue:
        """The same issue, its place prefixed by `place`."""
        return replace(self, where=f"{place}.{self.where}" if self.where else place)

    def __str__(self) -> str:
        where = f"{self.where}: " if self.where else ""
        value = f" Found: {self.value}." if self.value else ""
        expected = f" Expected: {self.expected}." if self.expected else ""
        return f"{where}{self.message}{value}{expected}"


class RecordError(Exception):
    """Root of the tree; carries the issues. `code` is the FHIR issue type used when only a message is given."""

    code = "processing"

    def __init__(self, *issues: Issue | str, where: str = "") -> None:
        self.issues: tuple[Issue, ...] = tuple(
            issue if isinstance(issue, Issue) else Issue(self.code, issue, where) for issue in issues
        )
        super().__init__("; ".join(str(issue) for issue in self.issues))


class Malformed(RecordError):
    """Not readable as what it claims to be."""

    code = "structure"


class Invalid(RecordError):
    """Readable, but breaks a rule."""

    code = "invalid"


class NeedsConfirmation(Invalid):
    """Unlikely but possible; becomes acceptable with a confirmation and its reason."""

    code = "business-rule"


class NotFound(RecordError):
    """There is no such thing."""

    code = "not-found"


class Gone(RecordError):
    """There was such a thing, and it has been deleted."""

    code = "deleted"


class NotSupported(RecordError):
    """The record does not do this."""

    code = "not-supported"


class Conflict(RecordError):
    """The thing has changed meanwhile, or its present state forbids this."""

    code = "conflict"


class Duplicate(Conflict):
    """Already here, with other content."""

    code = "duplicate"


class SeveralMatches(Conflict):
    """A condition that should fit one thing fits several."""

    code = "multiple-matches"


class PreconditionFailed(RecordError):
    """A stated version is not the present one."""

    code = "conflict"


class NotIdentified(RecordError):
    """Nobody has shown who they are, or not in a way that holds."""

    code = "login"


class Forbidden(RecordError):
    """This person may not do this."""

    code = "forbidden"


class TooMany(RecordError):
    """More requests than one client may make in this time."""

    code = "throttled"


class Unavailable(RecordError):
    """It cannot be done at the moment; a later try may succeed."""

    code = "transient"


class TooLarge(RecordError):
    """More than the configured limit."""

    code = "too-long"


class UnsupportedFormat(RecordError):
    """The body is in a format that is not read here."""

    code = "not-supported"


class NotAcceptable(RecordError):
    """The answer is wanted in a format that is not written here."""

    code = "not-supported"


class Misconfigured(RecordError):
    """A setting contradicts another setting, or the database."""

    code = "exception"
