"""The declaration behind imported rows as a Provenance: who answers for it, what was declared, which rows it made."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from service.fhir.text import Json

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
