"""One bad example of every profile, in `examples/resources/bad`: valid R4, and against the profile it claims.

Each is a good example with one fault, and its narrative says which. `python -m tests.fhir.example_faults` writes them.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import msgspec

from service.fhir.profiles import profiles
from service.fhir.text import Json, dump, parse

from .example_readings import ROOT

GOOD = ROOT / "examples" / "resources" / "good"
BAD = ROOT / "examples" / "resources" / "bad"
Fault = Callable[[Json], Any]


OWN_WORDS = {"coding": [{"system": "urn:example:words", "code": "fine"}]}
"""A code of nobody's."""


def without(name: str) -> Fault:
    return lambda resource: resource.pop(name)


def with_element(name: str, value: Any) -> Fault:
    return lambda resource: resource.__setitem__(name, value)


def without_extension(name: str) -> Fault:
    def fault(resource: Json) -> None:
        kept = [each for each in resource["extension"] if not each["url"].endswith(f"/{name}")]
        resource["extension"] = kept
        if not kept:
            del resource["extension"]

    return fault


def _mass(resource: Json) -> None:
    resource["valueQuantity"] |= {"unit": "stone", "code": "[stone_av]"}


def _unknown_answer(resource: Json) -> None:
    resource["valueCodeableConcept"]["coding"][0] |= {"code": "as-good-as-new", "display": "As good as new"}


def _elsewhere(resource: Json) -> None:
    resource["bodySite"] = [{"coding": [{"system": "urn:example:parts", "code": "hand"}]}]


def _no_calibrator(resource: Json) -> None:
    resource["calibration"][0].pop("extension")


def _other_measure(resource: Json) -> None:
    resource["target"][0]["measure"] = OWN_WORDS


STATED: dict[str, tuple[str, Fault]] = {
    "arc-panel": ("The whole of an arc has no value: its ends have.", with_element("valueString", "0-25-85")),
    "course-of-therapy": ("A course says when it began.", without("period")),
    "part-state": ("The state of a part is one of the list.", with_element("code", OWN_WORDS)),
    "injury": ("The site of an injury is a part of the hand with its side.", _elsewhere),
    "operation": ("An operation has its day.", without("performedDateTime")),
    "referral": ("A referral has its day.", without("authoredOn")),
    "precaution": ("A precaution says where it holds.", without_extension("precaution-place")),
    "goal": ("What is measured is one of the codes of readings.", _other_measure),
    "hand-picture": ("A picture says from where it was taken.", without("view")),
    "instrument": ("An instrument is of a type in the list.", without("type")),
    "calibration": ("A calibration says who did it.", _no_calibrator),
    "orthosis-plan": ("A plan has the day of the decision.", without("authoredOn")),
    "orthosis-order": ("An order has the identifier of its episode.", without("identifier")),
    "orthosis": ("An orthosis has the identifier of its episode.", without("identifier")),
    "orthosis-component": ("A component belongs to an orthosis.", without("parent")),
    "orthosis-wearing": ("Wearing says when it is to be worn.", without("timingTiming")),
    "orthosis-event": ("An event is one of the list.", with_element("code", OWN_WORDS)),
    "orthosis-wear": ("Hours worn are those of a day.", without("effectivePeriod")),
    "orthosis-delivery": ("A delivery has its day.", without("occurrenceDateTime")),
    "billing-statement": ("What is stated is one of the list.", with_element("activity", OWN_WORDS)),
    "billing-confirmation": ("A decision is one of the list.", with_element("businessStatus", OWN_WORDS)),
    "orthosis-charge": ("A charge belongs to an episode.", without("identifier")),
}
"""What is wrong with the bad example of a profile that is not one of a reading, and the fault."""
OF_READINGS: tuple[tuple[str, str, Fault], ...] = (
    ("valueQuantity", "The unit is none in which this is measured.", _mass),
    ("valueCodeableConcept", "The answer is none of this kind.", _unknown_answer),
)


def fault_of(profile: str, good: Json) -> tuple[str, Fault]:
    """What to make wrong in the good example of a profile."""
    if profile in STATED:
        return STATED[profile]
    return next((why, fault) for key, why, fault in OF_READINGS if key in good)


def good_examples() -> dict[str, Json]:
    """The first good example of each profile, by the short name of the profile."""
    found: dict[str, Json] = {}
    for path in sorted(GOOD.glob("*.json")):
        resource = parse(path.read_bytes())
        found.setdefault(str(resource["meta"]["profile"][0]).rpartition("/")[2], resource)
    return found


def bad_examples() -> dict[str, Json]:
    """The bad example of each profile, by its short name."""
    good = good_examples()
    names = [str(each["url"]).rpartition("/")[2] for each in profiles()]
    return {name: _bad(name, good[name]) for name in names}


def _bad(profile: str, good: Json) -> Json:
    why, fault = fault_of(profile, good)
    bad = deepcopy(good)
    fault(bad)
    head = {name: bad.pop(name) for name in ("resourceType", "meta")}
    bad.pop("id", None)
    text = f'<div xmlns="http://www.w3.org/1999/xhtml"><p>Wrong on purpose: {why}</p></div>'
    start = {"resourceType": head["resourceType"], "id": f"bad-{profile}", "meta": head["meta"]}
    return {**start, "text": {"status": "additional", "div": text}, **bad}


def file_of(profile: str, resource: Json) -> Path:
    return BAD / f"{resource['resourceType']}-{profile}.json"


def main() -> None:
    BAD.mkdir(exist_ok=True)
    for profile, resource in bad_examples().items():
        file_of(profile, resource).write_bytes(msgspec.json.format(dump(resource), indent=2) + b"\n")


if __name__ == "__main__":
    main()
