"""The operations of the FHIR interface as declarations: their inputs, their results, and what of R4's they offer.

From here follow the OperationDefinitions, the entries of the CapabilityStatement, and how inputs are read. R4 asks for
a definition of our own, with R4's as its base, wherever less than all of R4's operation is offered
(https://hl7.org/fhir/R4/capabilitystatement-definitions.html#CapabilityStatement.rest.resource.operation.definition).
"""

from __future__ import annotations

from dataclasses import dataclass

from service.fhir.definitions import SERVED_TYPES

R4 = "http://hl7.org/fhir/OperationDefinition"
READ_ONLY: tuple[str, ...] = ("AuditEvent",)
"""Types that the record writes by itself, and nobody else."""


@dataclass(frozen=True, slots=True)
class Argument:
    """One input or result: its name, FHIR type, meaning, and how often it stands; `parts` instead of a type."""

    name: str
    type: str
    meaning: str
    least: int = 0
    most: str = "1"
    parts: tuple[Argument, ...] = ()


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation: on which types, whether at the type, at one resource, or both (`levels`).

    `base` is R4's definition of which this offers a part; empty for our own. `searches`: inputs beside those declared
    are search parameters. `by_get` is false for what needs a body, `changes` true for what can change the record.
    """

    name: str
    types: tuple[str, ...]
    levels: tuple[str, ...]
    title: str
    meaning: str
    inputs: tuple[Argument, ...]
    results: tuple[Argument, ...]
    base: str = ""
    searches: bool = False
    by_get: bool = True
    changes: bool = False

    @property
    def id(self) -> str:
        """The last part of the address of its definition."""
        return f"{self.types[0] if len(self.types) == 1 else 'Resource'}-{self.name}"


def _result(kind: str, meaning: str, name: str = "return", most: str = "1") -> Argument:
    return Argument(name, kind, meaning, 1, most)


_BUNDLE = "A Bundle of the type searchset."
_CODE = Argument("code", "code", "A code; its system has to be named beside it.")
_CODING = Argument("coding", "Coding", "A code with its system, in the place of both.")
_CONCEPT = Argument("codeableConcept", "CodeableConcept", "Several codings, of which any may do.")

EVERYTHING = Operation(
    "everything",
    ("Patient",),
    ("instance",),
    "All of a patient's record",
    "All that belongs to one patient and may be seen, with what it refers to, a page at a time.",
    (
        Argument("start", "date", "Only care on this day or later, and what names no day of care."),
        Argument("end", "date", "Only care on this day or earlier, and what names no day of care."),
        Argument("_since", "instant", "Only what was changed at this moment or later."),
        Argument("_type", "code", "Only these types, several with commas between them.", most="*"),
        Argument("_count", "integer", "How many resources a page holds."),
    ),
    (_result("Bundle", _BUNDLE),),
    f"{R4}/Patient-everything",
)
DERIVE = Operation(
    "derive",
    ("Patient",),
    ("instance",),
    "Results computed from a patient's readings",
    "By GET the results as Observations of category derived that are not stored; by POST the same, stored, with one "
    "Provenance for all that changed. The numbers inform; they prescribe nothing.",
    (),
    (_result("Bundle", "A Bundle of the type collection."),),
    changes=True,
)
AFFECTED = Operation(
    "affected",
    ("Observation",),
    ("instance",),
    "Where the value of an Observation went",
    "All that rests on an Observation, directly or through something else: derived results, the whole of an arc, "
    "goals, charges, documents, what stands in its place, and who vouched for it.",
    (),
    (
        Argument("of", "Reference", "The Observation, with its version.", 1),
        Argument(
            "affected",
            "",
            "What rests on it.",
            most="*",
            parts=(
                _result("Reference", "The resource, with its version.", "resource"),
                _result("string", "What it is: derived result, document, and so on.", "how"),
                _result("Reference", "What it rests on: the Observation, or something between.", "on"),
                Argument("where", "string", "The element that says so."),
            ),
        ),
        Argument(
            "left",
            "",
            "With what any of it has left the record.",
            most="*",
            parts=(
                _result("string", "An export of charges, or a release.", "what"),
                _result("id", "Its id.", "id"),
                _result("Reference", "What was in it.", "resource"),
            ),
        ),
        _result("integer", "How many more rest on it that you may not see.", "withheld"),
    ),
)
LASTN = Operation(
    "lastn",
    ("Observation",),
    ("type",),
    "The latest of each code",
    "The latest Observations of each code among the matches of a search that names a patient.",
    (Argument("max", "positiveInt", "How many of each code; one where it is not said."),),
    (_result("Bundle", _BUNDLE),),
    f"{R4}/Observation-lastn",
    searches=True,
)
STATS = Operation(
    "stats",
    ("Observation",),
    ("type",),
    "Statistics of a patient's readings",
    "Count, least, greatest, mean and the like of the readings of each code of one patient. Readings of different "
    "units are never put together, and those of different series only side by side. Numbers over time say nothing "
    "about why they changed.",
    (
        Argument("subject", "uri", "The patient, as in Patient/1.", 1),
        Argument("code", "string", "A code of the readings; its system is in `system`, if it is named.", most="*"),
        Argument("system", "uri", "The system of the codes."),
        Argument("coding", "Coding", "A code with its system.", most="*"),
        Argument("duration", "decimal", "Only the last so many hours."),
        Argument("period", "Period", "Only this time, where no duration is given."),
        Argument("statistic", "code", "A code of R4's observation-statistics.", 1, "*"),
        Argument("include", "boolean", "Whether the readings come along."),
        Argument("limit", "positiveInt", "How many readings come along at most, the latest of them."),
        Argument("apart", "boolean", "Whether several series of one code are told, each by itself; else refused."),
    ),
    (
        _result("Observation", "One for each code, or each series, with a component for each statistic.", "statistics",
                "*"),
        Argument("source", "Observation", "The readings, if they are wanted.", most="*"),
    ),
    f"{R4}/Observation-stats",
)  # fmt: skip
VALIDATE = Operation(
    "validate",
    tuple(name for name in SERVED_TYPES if name not in READ_ONLY),
    ("type", "instance"),
    "Whether a resource could be stored",
    "What is wrong with, or should be known of, a resource. Nothing is stored, and no reference is looked up.",
    (
        Argument("resource", "Resource", "The resource.", 1),
        Argument("mode", "code", "What is meant to be done: create, update or profile."),
        Argument("profile", "uri", "A profile that it is held against, besides those it claims.", most="*"),
    ),
    (_result("OperationOutcome", "The verdict."),),
    f"{R4}/Resource-validate",
    by_get=False,
)
EXPAND = Operation(
    "expand",
    ("ValueSet",),
    ("type", "instance"),
    "The codes of a value set",
    "All codes of one of the value sets published here, or of a value set that R4 requires and lists.",
    (
        Argument("url", "uri", "The address of the value set; at a value set itself it is not needed."),
        Argument("valueSetVersion", "string", "The version that is meant."),
        Argument("filter", "string", "Only codes that hold each of these words, in the code or its display."),
        Argument("offset", "integer", "How many codes are passed over first."),
        Argument("count", "integer", "How many codes are listed at most."),
        Argument("includeDefinition", "boolean", "Whether the definition comes along."),
        Argument("includeDesignations", "boolean", "Taken, and changes nothing: there are no designations here."),
        Argument("activeOnly", "boolean", "Taken, and changes nothing: all codes here are active."),
        Argument("excludeNested", "boolean", "Taken, and changes nothing: all lists here are flat."),
    ),
    (_result("ValueSet", "The value set with its expansion."),),
    f"{R4}/ValueSet-expand",
)
VALIDATE_CODE = Operation(
    "validate-code",
    ("ValueSet",),
    ("type", "instance"),
    "Whether a code is in a value set",
    "Whether a code, with its display where one is given, is in a value set that can be expanded here.",
    (
        Argument("url", "uri", "The address of the value set; at a value set itself it is not needed."),
        Argument("valueSetVersion", "string", "The version that is meant."),
        _CODE,
        Argument("system", "uri", "The system of the code."),
        Argument("display", "string", "The words beside the code."),
        _CODING,
        _CONCEPT,
    ),
    (
        _result("boolean", "Whether it is in the value set, and its display is right.", "result"),
        Argument("message", "string", "Why not."),
        Argument("display", "string", "The words of the code, where they are known here."),
    ),
    f"{R4}/ValueSet-validate-code",
)
LOOKUP = Operation(
    "lookup",
    ("CodeSystem",),
    ("type",),
    "What a code says",
    "The words and properties of a code of one of the code systems published here.",
    (
        _CODE,
        Argument("system", "uri", "The system of the code."),
        Argument("version", "string", "The version of the system that is meant."),
        _CODING,
        Argument("property", "code", "Only this property; several may be asked for.", most="*"),
    ),
    (
        _result("string", "What the code system is called.", "name"),
        Argument("version", "string", "The version of the code system."),
        _result("string", "The words of the code.", "display"),
        Argument(
            "property",
            "",
            "What else is known of the code.",
            most="*",
            parts=(_result("code", "Which property.", "code"), _result("string", "What it says.", "value")),
        ),
    ),
    f"{R4}/CodeSystem-lookup",
)
TRANSLATE = Operation(
    "translate",
    ("ConceptMap",),
    ("type", "instance"),
    "What public code systems say of a code",
    "Codes of public systems for one of ours, or with `reverse` ours for a public one, each with how far they agree.",
    (
        Argument("url", "uri", "The address of a map; without it all maps published here are asked."),
        Argument("conceptMapVersion", "string", "The version that is meant."),
        _CODE,
        Argument("system", "uri", "The system of the code."),
        _CODING,
        _CONCEPT,
        Argument("source", "uri", "The value set that the code was chosen from."),
        Argument("targetsystem", "uri", "Only codes of this system."),
        Argument("reverse", "boolean", "Whether the code is one of the other side."),
    ),
    (
        _result("boolean", "Whether there is a code for it.", "result"),
        Argument("message", "string", "Why not."),
        Argument(
            "match",
            "",
            "A code for it.",
            most="*",
            parts=(
                _result("code", "How far the two agree; wider: it includes ours among other things.", "equivalence"),
                _result("Coding", "The code.", "concept"),
                _result("uri", "The map that says so.", "source"),
            ),
        ),
    ),
    f"{R4}/ConceptMap-translate",
)
OPERATIONS = (EVERYTHING, DERIVE, AFFECTED, LASTN, STATS, VALIDATE, EXPAND, VALIDATE_CODE, LOOKUP, TRANSLATE)


def operations_of(resource_type: str) -> tuple[Operation, ...]:
    """The operations that a type is served with."""
    return tuple(one for one in OPERATIONS if resource_type in one.types)


def find(resource_type: str, name: str, level: str = "") -> Operation | None:
    """The operation of that name on a type, at that level (empty: any); None where there is none."""
    named = (one for one in operations_of(resource_type) if one.name == name)
    return next((one for one in named if not level or level in one.levels), None)
