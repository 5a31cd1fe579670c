"""The extensions of what proves and confirms an orthosis episode for billing."""

from __future__ import annotations

from service.fhir.extension import Extension, Part
from service.fhir.orthosis.names import extension

_DELIVERY, _CHARGE = "SupplyDelivery", "ChargeItem"

ADDRESS = Extension(
    extension("delivery-address"), "Address of delivery", "Where the orthosis was handed over.", _DELIVERY, "string"
)
RECEIVER = Extension(
    extension("delivery-receiver"),
    "Who received it",
    "Who took the orthosis, how they are related to the patient, and whether they signed.",
    _DELIVERY,
    parts=(
        Part("name", "Name", "string", least=1),
        Part("relation", "Relation to the patient; none for the patient", "string"),
        Part("signed", "Whether they signed", "boolean"),
    ),
)
INSTRUCTIONS = Extension(
    extension("delivery-instructions"),
    "Instructions given",
    "That instructions on wearing, care and whom to call were given with it.",
    _DELIVERY,
    "boolean",
)
DESCRIPTION = Extension(
    extension("delivery-description"), "Description of the item", "What was handed over, in words.", _DELIVERY, "string"
)
RULE_SET = Extension(
    extension("rule-set"),
    "Rule set",
    "Name and version of the payer's rules that were used.",
    "Task ChargeItem",
    "string",
)
MODIFIER = Extension(
    extension("charge-modifier"), "Modifier", "A modifier of the code of a charge.", _CHARGE, "Coding", most="*"
)
COVER = Extension(
    extension("charge-cover"), "Coverage", "The coverage of the charge.", _CHARGE, "Reference", target="Coverage"
)
WHY = Extension(
    extension("charge-why"), "Why this code", "Why the biller chose a code that is not known to fit.", _CHARGE, "string"
)
EXPORT = Extension(extension("charge-export"), "Export", "The export that the charge left with.", _CHARGE, "string")
REVERSAL = Extension(
    extension("charge-reversal"), "Export of the reversal", "The export that its reversal left with.", _CHARGE, "string"
)
VOID = Extension(extension("charge-void"), "Why it was taken back", "Why the charge was voided.", _CHARGE, "string")
OF_BILLING = tuple(each for each in list(globals().values()) if isinstance(each, Extension))
