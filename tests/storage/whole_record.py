"""An invented patient with something of everything attached, each text a token that can be looked for byte by byte."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from service.fhir.orthosis.names import EVENT_PROFILE
from service.storage.engine import open_engine
from service.storage.records import Writer

MARK = "QZX"
"""Every telling text of the marked patient begins so; nothing else in the record does."""


def ref(to: str, **more: str) -> dict[str, str]:
    return {"reference": to, **more}


def reading(ident: str, patient: str, token: str, **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation", "id": ident, "status": "final", "subject": ref(f"Patient/{patient}"),
        "code": {"coding": [{"system": f"urn:{token}", "code": f"{token}-code"}]},
        "effectiveDateTime": "2026-03-02T09:30:00+01:00", "note": [{"text": f"{token} note"}], **more,
    }  # fmt: skip


def resources(ident: str, token: str) -> Iterator[dict[str, Any]]:
    """A patient `ident` with everything; `token` stands in every text."""
    who = ref(f"Patient/{ident}", display=f"{token}Shown")
    plain = ref(f"Patient/{ident}")
    episode = {
        "meta": {"profile": [EVENT_PROFILE]}, "identifier": [{"system": "urn:e", "value": f"{token}-episode"}],
    }  # fmt: skip
    yield {
        "resourceType": "Patient", "id": ident, "identifier": [{"system": "urn:file", "value": f"{token}4711"}],
        "name": [{"family": f"{token}family", "given": [f"{token}given"]}], "birthDate": "1970-01-01",
        "telecom": [{"system": "phone", "value": f"{token}0664"}],
    }  # fmt: skip
    yield {"resourceType": "Encounter", "id": f"{ident}-visit", "status": "finished", "subject": who}
    yield reading(f"{ident}-one", ident, token, encounter=ref(f"Encounter/{ident}-visit"))
    yield reading(f"{ident}-two", ident, token)
    yield reading(f"{ident}-sum", ident, token, derivedFrom=[ref(f"Observation/{ident}-one")])
    yield reading(f"{ident}-of-sum", ident, token, derivedFrom=[ref(f"Observation/{ident}-sum")])
    panel = [ref(f"Observation/{ident}-one"), ref(f"Observation/{ident}-two")]
    yield reading(f"{ident}-panel", ident, token, hasMember=panel, valueString=f"{token} 0-20-90")
    yield {"resourceType": "Goal", "id": f"{ident}-goal", "subject": who, "description": {"text": f"{token} fist"}}
    yield {"resourceType": "Flag", "id": f"{ident}-flag", "subject": plain, "code": {"text": f"{token} precaution"}}
    yield {"resourceType": "Procedure", "id": f"{ident}-fit", "subject": plain, **episode}
    yield {"resourceType": "Procedure", "id": f"{ident}-cut", "subject": plain, **episode}
    yield {
        "resourceType": "ChargeItem", "id": f"{ident}-charge", "subject": plain,
        "supportingInformation": [ref(f"Observation/{ident}-one", display=f"{token} grip")],
    }  # fmt: skip
    yield {"resourceType": "Binary", "id": f"{ident}-file", "contentType": "text/plain", "data": f"{token}AAAA"}
    yield {
        "resourceType": "DocumentReference", "id": f"{ident}-letter", "subject": who,
        "content": [{"attachment": {"url": f"Binary/{ident}-file", "title": f"{token} letter"}}],
    }  # fmt: skip
    targets = [ref(f"Observation/{ident}-one"), ref(f"Observation/{ident}-two")]
    yield {"resourceType": "Provenance", "id": f"{ident}-wrote", "target": targets, "reason": [{"text": token}]}
    yield {"resourceType": "Provenance", "id": f"{ident}-one-only", "target": targets[:1], "reason": [{"text": token}]}
    yield {"resourceType": "Task", "id": f"{ident}-task", "focus": ref(f"Procedure/{ident}-fit"), "note": token}


def fill(writer: Writer) -> None:
    """The marked patient `m`, another patient `o` with the same, and what belongs to both or neither."""
    for ident, token in (("m", MARK), ("o", "other")):
        for resource in resources(ident, token):
            writer.update(resource)
    writer.update(reading("m-one", "m", f"{MARK}second"))
    writer.update(reading("m-deleted", "m", MARK))
    writer.update({"resourceType": "Group", "id": "both", "member": [
        {"entity": ref("Patient/m", display=f"{MARK} member")}, {"entity": ref("Patient/o")},
    ]})  # fmt: skip
    both = [ref("Observation/m-one", display=MARK), ref("Observation/o-one")]
    writer.update({"resourceType": "Provenance", "id": "import", "target": both})
    writer.update({"resourceType": "Practitioner", "id": "therapist", "name": [{"family": "Invented"}]})


def change(writer: Writer) -> None:
    """Earlier versions, a deletion, and a reading that was the marked patient's before it was somebody else's."""
    writer.delete("Observation", "m-deleted")
    writer.update(reading("moved", "m", MARK))
    writer.update(reading("moved", "o", "other"))
    writer.update({"resourceType": "Group", "id": "both", "name": "both", "member": [
        {"entity": ref("Patient/m", display=f"{MARK} member")}, {"entity": ref("Patient/o")},
    ]})  # fmt: skip


def whole_text(url: str, *, own: bool = False) -> str:
    """Every value of every row of every table of a database, system catalogues too, or only our `own` tables."""
    engine = open_engine(url)
    found = []
    with engine.connect() as connection:
        for schema, table in _tables(connection):
            if own and schema not in ("main", "public"):
                continue
            columns = "*" if schema != "pg_catalog" else "t::text"
            for row in connection.exec_driver_sql(f'SELECT {columns} FROM "{schema}"."{table}" t'):
                found.append(repr(tuple(row)))
    engine.dispose()
    return "\n".join(found)


def _tables(connection: sa.Connection) -> list[tuple[str, str]]:
    if connection.dialect.name == "sqlite":
        rows = connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'")
        return [("main", row[0]) for row in rows]
    rows = connection.exec_driver_sql(
        "SELECT n.nspname, c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace "
        "WHERE c.relkind = 'r' AND n.nspname IN ('public', 'pg_catalog', 'pg_toast')"
    )
    return [(row[0], row[1]) for row in rows]


def bytes_of(url: str) -> bytes:
    """Every byte of a database's own files: of SQLite with its logs; of PostgreSQL tables, indexes, catalogues."""
    engine = open_engine(url)
    with engine.connect() as connection:
        if connection.dialect.name == "sqlite":
            files = sorted(Path(str(engine.url.database)).parent.glob(f"{Path(str(engine.url.database)).name}*"))
        else:
            connection.exec_driver_sql("CHECKPOINT")
            folder = connection.exec_driver_sql("SHOW data_directory").scalar_one()
            number = connection.exec_driver_sql(
                "SELECT oid FROM pg_database WHERE datname = current_database()"
            ).scalar_one()
            files = sorted(path for path in (Path(folder) / "base" / str(number)).iterdir() if path.is_file())
    engine.dispose()
    return b"".join(path.read_bytes() for path in files)
