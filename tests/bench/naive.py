"""What the record is measured against: a day's honest work with the usual means, and with their usual costs.

FastAPI with fhir.resources models as bodies and response models, SQLAlchemy's async ORM on aiosqlite, the resource in
a JSON column, one generic table of search values. WAL, a busy timeout and an index are there: it should be slow
because of how it works, not because of a mistake. Start it with `uvicorn tests.bench.naive:app`; the environment
variable NAIVE_DATABASE names its SQLite file. `python -m tests.bench.naive FILE` imports readings, a commit a visit.
"""

from __future__ import annotations

import asyncio
import csv
import os
import sys
import uuid
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Annotated, Any

from fastapi import Depends, FastAPI, HTTPException, Query, Response
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.observation import Observation
from fhir.resources.R4B.patient import Patient
from sqlalchemy import JSON, ForeignKey, Index, event, select
from sqlalchemy.ext.asyncio import AsyncSession, async_sessionmaker, create_async_engine
from sqlalchemy.orm import DeclarativeBase, Mapped, aliased, mapped_column

engine = create_async_engine(f"sqlite+aiosqlite:///{os.environ['NAIVE_DATABASE']}")
new_session = async_sessionmaker(engine, expire_on_commit=False)
MODELS = {"Patient": Patient, "Observation": Observation}


class Table(DeclarativeBase):
    pass


class ResourceRow(Table):
    """The present version of one resource."""

    __tablename__ = "resource"
    reference: Mapped[str] = mapped_column(primary_key=True)
    version: Mapped[int]
    updated: Mapped[datetime]
    content: Mapped[dict[str, Any]] = mapped_column(JSON)


class SearchRow(Table):
    """One value by which a resource is found."""

    __tablename__ = "search"
    pk: Mapped[int] = mapped_column(primary_key=True)
    resource: Mapped[str] = mapped_column(ForeignKey("resource.reference"))
    name: Mapped[str]
    value: Mapped[str]
    __table_args__ = (Index("search_by_value", "name", "value", "resource"),)


@event.listens_for(engine.sync_engine, "connect")
def prepare(connection: Any, _: Any) -> None:
    cursor = connection.cursor()
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "busy_timeout=30000"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


@asynccontextmanager
async def lifespan(_: FastAPI) -> AsyncIterator[None]:
    async with engine.begin() as connection:
        await connection.run_sync(Table.metadata.create_all)
    yield
    await engine.dispose()


async def session() -> AsyncIterator[AsyncSession]:
    async with new_session() as opened:
        yield opened


Db = Annotated[AsyncSession, Depends(session)]
app = FastAPI(lifespan=lifespan)


@app.get("/health")
async def health() -> dict[str, str]:
    return {"status": "ok"}


def search_values(content: dict[str, Any]) -> Iterator[tuple[str, str]]:
    if content["resourceType"] == "Observation":
        yield "patient", content["subject"]["reference"]
        yield "date", content["effectiveDateTime"]
        for coding in content["code"]["coding"]:
            yield "code", f"{coding['system']}|{coding['code']}"


def add(db: AsyncSession, resource: Any) -> Any:
    """The resource as stored, its id and version given."""
    content = resource.model_dump(mode="json")
    content["id"] = content.get("id") or str(uuid.uuid4())
    now = datetime.now(UTC)
    content["meta"] = content.get("meta", {}) | {"versionId": "1", "lastUpdated": now.isoformat()}
    kind = content["resourceType"]
    reference = f"{kind}/{content['id']}"
    db.add(ResourceRow(reference=reference, version=1, updated=now, content=content))
    for name, value in search_values(content):
        db.add(SearchRow(resource=reference, name=name, value=value))
    return MODELS[kind].model_validate(content)


async def get(db: AsyncSession, kind: str, key: str) -> Any:
    row = await db.get(ResourceRow, f"{kind}/{key}")
    if row is None:
        raise HTTPException(404, f"{kind}/{key} not found")
    return MODELS[kind].model_validate(row.content)


@app.get("/fhir/Patient/{key}", response_model=Patient, response_model_exclude_none=True)
async def read_patient(key: str, db: Db) -> Any:
    return await get(db, "Patient", key)


@app.get("/fhir/Observation/{key}", response_model=Observation, response_model_exclude_none=True)
async def read_observation(key: str, db: Db) -> Any:
    return await get(db, "Observation", key)


@app.post("/fhir/Observation", response_model=Observation, response_model_exclude_none=True, status_code=201)
async def create_observation(observation: Observation, db: Db, response: Response) -> Any:
    stored = add(db, observation)
    await db.commit()
    response.headers["Location"] = f"/fhir/Observation/{stored.id}/_history/1"
    return stored


@app.get("/fhir/Observation", response_model=Bundle, response_model_exclude_none=True)
async def search_observations(
    db: Db,
    patient: str,
    code: str | None = None,
    date: Annotated[list[str], Query()] = [],  # noqa: B006
    count: Annotated[int, Query(alias="_count")] = 50,
) -> Any:
    statement = select(ResourceRow)
    for name, value in (("patient", f"Patient/{patient.removeprefix('Patient/')}"), ("code", code)):
        if value is not None:
            found = aliased(SearchRow)
            statement = statement.join(found, found.resource == ResourceRow.reference).where(
                found.name == name, found.value == value
            )
    dated = aliased(SearchRow)
    statement = statement.join(dated, dated.resource == ResourceRow.reference).where(dated.name == "date")
    for bound in date:
        after = bound.startswith("ge")
        statement = statement.where(dated.value >= bound[2:] if after else dated.value < bound[2:])
    rows = (await db.scalars(statement.order_by(dated.value.desc()).limit(count))).all()
    entries = [{"fullUrl": f"http://127.0.0.1/fhir/{row.reference}", "resource": row.content} for row in rows]
    return Bundle.model_validate({"type": "searchset", "entry": entries})


@app.post("/fhir", response_model=Bundle, response_model_exclude_none=True)
async def transaction(bundle: Bundle, db: Db) -> Any:
    stored = [add(db, entry.resource) for entry in bundle.entry]
    await db.commit()
    entries = [
        {"response": {"status": "201", "location": f"{item.get_resource_type()}/{item.id}/_history/1"}}
        for item in stored
    ]
    return Bundle.model_validate({"type": "transaction-response", "entry": entries})


def reading(row: dict[str, str]) -> Observation:
    coding = {"system": "https://clinic.example/codes", "code": row["motion"]}
    site = {"system": "https://clinic.example/sites", "code": row["site"]}
    degrees = {"value": row["value"], "unit": "degree", "system": "http://unitsofmeasure.org", "code": "deg"}
    return Observation.model_validate(
        {
            "status": "final",
            "code": {"coding": [coding]},
            "subject": {"reference": f"Patient/{row['patient']}"},
            "effectiveDateTime": row["date"],
            "bodySite": {"coding": [site]},
            "valueQuantity": degrees,
        }
    )


async def import_file(path: Path) -> None:
    async with lifespan(app):
        with path.open(newline="") as lines:
            for _, visit in groupby(csv.DictReader(lines), itemgetter("patient", "date")):
                async with new_session() as db:
                    for row in visit:
                        if await db.get(ResourceRow, f"Patient/{row['patient']}") is None:
                            add(db, Patient.model_validate({"id": row["patient"]}))
                        add(db, reading(row))
                    await db.commit()


if __name__ == "__main__":
    asyncio.run(import_file(Path(sys.argv[1])))
