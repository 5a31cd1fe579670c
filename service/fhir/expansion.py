"""The codes of a value set, listed; and whether a code is among them.

Known are the value sets published here and those that R4 requires and lists; of the others it is said that they are not
known, or that not all their codes are.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from service.errors import Invalid, Issue, Malformed, NotFound
from service.fhir import conformance
from service.fhir.given import Call, parameters
from service.fhir.members import Coding, members, own
from service.fhir.text import Json

R4_VERSION = "4.0.1"


def expand(call: Call) -> Json:
    """ValueSet/$expand: the value set with its codes. Raises `NotFound`, `Invalid` for one that cannot be listed."""
    value_set, listed = _asked(call)
    words = str(call.one("filter") or "").casefold().split()
    found = [
        {"system": system, "code": code, **({"display": display} if display else {})}
        for (system, code), display in listed.items()
        if all(word in f"{code} {display}".casefold() for word in words)
    ]
    offset, count = call.one("offset") or 0, call.one("count")
    page = found[offset : None if count is None else offset + count]
    used = [
        {"name": name, key: call.one(name)}
        for name, key in (("filter", "valueString"), ("offset", "valueInteger"), ("count", "valueInteger"))
        if call.one(name) is not None
    ]
    stated: Json = {"total": len(found), "offset": offset, **({"parameter": used} if used else {})}
    kept = value_set if call.one("includeDefinition") else {k: v for k, v in value_set.items() if k != "compose"}
    now = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    expansion = {"timestamp": now, **stated, **({"contains": page} if page else {})}
    return {**kept, "expansion": expansion}


def validate_code(call: Call) -> Json:
    """ValueSet/$validate-code: whether one of the codes is in the value set, and its display right."""
    _, listed = _asked(call)
    wanted = codings_of(call)
    known = [coding for coding in wanted if (coding.get("system", ""), coding["code"]) in listed]
    if not known:
        said = ", ".join(f"{coding.get('system', '')}|{coding['code']}" for coding in wanted)
        message = f"Not in the value set: {said}."
        return parameters(("result", "valueBoolean", False), ("message", "valueString", message))
    chosen = known[0]
    display = listed[chosen.get("system", ""), chosen["code"]]
    given = str(chosen.get("display", ""))
    right = not given or not display or " ".join(given.split()).casefold() == display.casefold()
    message = "" if right else f"The code is in the value set, but its display is '{display}', not '{given}'."
    return parameters(
        ("result", "valueBoolean", right), ("message", "valueString", message), ("display", "valueString", display)
    )


def codings_of(call: Call) -> list[Json]:
    """The codings that an operation was given, in one of three ways. Raises `Malformed` where there is none."""
    concept = call.one("codeableConcept") or {}
    found = [*call.all("coding"), *concept.get("coding", [])]
    if call.one("code") is not None:
        if call.one("system") is None:
            message = "A code says something only with its system."
            raise Malformed(Issue("required", message, "http.system", expected="system, or a coding"))
        more = {"display": call.one("display")} if call.one("display") else {}
        found.append({"system": call.one("system"), "code": call.one("code"), **more})
    coded = [coding for coding in found if coding.get("code")]
    if not coded:
        message = "The operation needs a code with its system."
        raise Malformed(Issue("required", message, "http.code", expected="code and system, coding or codeableConcept"))
    return coded


def _asked(call: Call) -> tuple[Json, Mapping[Coding, str]]:
    """The value set a call is about, and its codes with their displays."""
    version = call.one("valueSetVersion") or ""
    if call.id:
        value_set = conformance.find("ValueSet", call.id)
        url = str(value_set["url"])
    else:
        url, _, stated = str(call.require("url")).partition("|")
        version = version or stated
        value_set = _known(url)
    if version and version != value_set["version"]:
        message = f"The value set is known here in the version {value_set['version']} only."
        raise NotFound(Issue("not-found", message, "valueSetVersion", version, expected=str(value_set["version"])))
    return value_set, _listed(url)


def _known(url: str) -> Json:
    found = own(url)
    if found is not None:
        return found
    if members(url) is None:
        raise NotFound(Issue("not-found", "This value set is not known here.", "url", url, "value-set"))
    return {"resourceType": "ValueSet", "url": url, "version": R4_VERSION, "status": "active"}


def _listed(url: str) -> Mapping[Coding, str]:
    found = members(url)
    if not found:
        message = "This value set is known, but it has more codes than are listed here, so it cannot be expanded."
        raise Invalid(Issue("not-supported", message, "url", url, "value-set"))
    return found
