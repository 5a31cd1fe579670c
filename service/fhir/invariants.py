"""The rules of the standard beyond structure, written by hand, by the key the standard gives them.

A test runs each beside its FHIRPath expression from the R4 package. `PRESENCE` speaks only of which elements are
there, and is judged once for a set of keys; `VALUES` looks at the values, if all the elements it needs are there.
"""

from __future__ import annotations

from service.fhir.invariants_of_datatypes import PRESENCE as PRESENCE_IN_DATATYPES
from service.fhir.invariants_of_datatypes import VALUES as VALUES_IN_DATATYPES
from service.fhir.invariants_of_messages import PRESENCE as PRESENCE_IN_MESSAGES
from service.fhir.invariants_of_messages import VALUES as VALUES_IN_MESSAGES
from service.fhir.invariants_of_resources import PRESENCE as PRESENCE_IN_RESOURCES
from service.fhir.invariants_of_resources import VALUES as VALUES_IN_RESOURCES
from service.fhir.rules import Presence, ValueRule

PRESENCE: dict[str, Presence] = PRESENCE_IN_DATATYPES | PRESENCE_IN_RESOURCES | PRESENCE_IN_MESSAGES
VALUES: dict[str, ValueRule] = VALUES_IN_DATATYPES | VALUES_IN_RESOURCES | VALUES_IN_MESSAGES

CHECKED_ELSEWHERE: dict[str, str] = {
    "ele-1": "empty objects are refused with the structure",
    "txt-1": "the narrative is read as a primitive",
    "txt-2": "the narrative is read as a primitive",
    "ref-1": "references are checked together with their targets",
}
NOT_CHECKED: dict[str, str] = {
    "dom-6": "a narrative is best practice only, and this record makes its own text where it is needed",
    "ctm-1": "needs the referenced resource, which validation of one resource does not read",
    "ppc-2": "the expression asks for the code system 'something', so it never fails",
    "ppc-3": "the expression asks for the code system 'something', so it never fails",
    "ppc-4": "the expression asks for the code system 'something', so it never fails",
    "ppc-5": "the expression asks for the code system 'something', so it never fails",
}
