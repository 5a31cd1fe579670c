"""Who answers for what: the declaration behind imported rows, signatures, and acts that put right what was wrong."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from service.domain.actor import Actor
from service.fhir.canonical import code_system
from service.fhir.record_words import ACTS
from service.fhir.text import Json

ACT_SYSTEM = code_system("audit-act")
AGENT_SYSTEM = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"


def to_provenance(
    targets: Iterable[str], recorded: datetime, declared: str, author: Json, enterer: str, since: str = ""
) -> Json:
    """The Provenance of resources that an import wrote.

    `targets` are their references, `declared` says in words what the file declares for its rows, `author` is a
    Reference to who signed it, `enterer` the name of who ran the import, `since` the day of the declaration.
    """
    return {
        "resourceType": "Provenance",
        "target": [{"reference": target} for target in targets],
        **({"occurredDateTime": since} if since else {}),
        "recorded": recorded.isoformat(),
        "agent": [_agent("author", "Author", author), _agent("enterer", "Enterer", {"display": enterer})],
        "entity": [{"role": "source", "what": {"display": declared}}],
    }


def _agent(code: str, display: str, who: Json) -> Json:
    return {"type": {"coding": [{"system": AGENT_SYSTEM, "code": code, "display": display}]}, "who": who}


SIGNATURE_SYSTEM = "urn:iso-astm:E1762-95:2013"
AUTHOR = ("1.2.840.10065.1.12.1.1", "Author's Signature")
VERIFIER = ("1.2.840.10065.1.12.1.5", "Verification Signature")
"""Kinds of signature (https://hl7.org/fhir/R4/valueset-signature-type.html)."""


def signature_of(targets: Iterable[str], recorded: datetime, actor: Actor, kind: tuple[str, str]) -> Json:
    """The Provenance of a signature: these versions, vouched for by this person at this moment."""
    who = who_of(actor)
    coding = {"system": SIGNATURE_SYSTEM, "code": kind[0], "display": kind[1]}
    agent = ("author", "Author") if kind == AUTHOR else ("verifier", "Verifier")
    return {
        "resourceType": "Provenance",
        "target": [{"reference": target} for target in targets],
        "recorded": recorded.isoformat(),
        "activity": {"coding": [{"system": ACT_SYSTEM, "code": "sign", "display": ACTS["sign"]}]},
        "agent": [_agent(*agent, who)],
        "signature": [{"type": [coding], "when": recorded.isoformat(), "who": who}],
    }


def who_of(actor: Actor) -> Json:
    """A Reference to the acting person: the name, and what identifies them at the clinic's provider.

    No literal reference: the record need not hold a resource for everybody who writes in it.
    """
    kind = actor.reference.partition("/")[0]
    return {"type": kind, "identifier": {"value": actor.id}, **({"display": actor.name} if actor.name else {})}
