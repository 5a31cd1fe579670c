"""Is a literal reference well written, and may it point there? (https://hl7.org/fhir/R4/references.html)"""

from __future__ import annotations

import re
from typing import Any

from service.errors import Issue
from service.fhir.definitions import resource_types

Json = dict[str, Any]

_ID = r"[A-Za-z0-9\-.]{1,64}"
_RELATIVE = re.compile(rf"([A-Za-z]+)/{_ID}(?:/_history/{_ID})?(?:#\S+)?")
_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:\S+")
_RESTFUL = re.compile(rf"https?://\S+?/([A-Za-z]+)/{_ID}(?:/_history/{_ID})?")
_CONDITIONAL = re.compile(r"([A-Za-z]+)\?\S+")
_FORMS = "Type/id, a whole URL, urn:uuid:… or #id of a contained resource"


def target_issue(
    reference: str, targets: tuple[str, ...], contained: dict[str, str], *, conditional: bool
) -> Issue | None:
    """What is wrong with a literal reference; `where` and `value` are for the caller to add.

    `targets` are the types allowed (empty: any), `contained` the ids of the resources contained beside it and
    their types, `conditional` whether `Type?search` may stand for a resource (in a transaction).
    """
    if reference.startswith("#"):
        return _contained_issue(reference[1:], targets, contained)
    found = _RELATIVE.fullmatch(reference)
    if found:
        return _type_issue(found[1], targets)
    if _ABSOLUTE.fullmatch(reference):
        restful = _RESTFUL.fullmatch(reference)
        known = restful and restful[1] in resource_types()
        return _type_issue(restful[1], targets) if restful and known else None
    search = _CONDITIONAL.fullmatch(reference)
    if search and conditional:
        return _type_issue(search[1], targets)
    return Issue("value", "This is not a reference as FHIR writes them.", rule="reference", expected=_FORMS)


def _contained_issue(wanted: str, targets: tuple[str, ...], contained: dict[str, str]) -> Issue | None:
    if not wanted:
        return None
    if wanted not in contained:
        message = f"No contained resource has the id '{wanted}'."
        return Issue("invariant", message, rule="ref-1", expected="the id of a resource in 'contained'")
    return _type_issue(contained[wanted], targets)


def _type_issue(name: str, targets: tuple[str, ...]) -> Issue | None:
    if name not in resource_types():
        return Issue("value", f"'{name}' is no resource type of R4.", rule="reference", expected=_FORMS)
    if targets and name not in targets:
        message = f"This reference may not point to the type {name}."
        return Issue("value", message, rule="reference-target", expected=f"a reference to {' or '.join(targets)}")
    return None
