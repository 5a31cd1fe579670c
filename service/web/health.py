"""Whether the record answers: for a supervisor, not for people."""

from __future__ import annotations

from fastapi import APIRouter
from pydantic import BaseModel, Field

from service.web.work import Work


class Health(BaseModel):
    """The record answers, and so does its database."""

    status: str = Field(description="Always `ok`: a record that does not answer says so by its status code.")


def health_router(work: Work) -> APIRouter:
    """The route `/health`."""
    router = APIRouter(tags=["Service"])

    @router.get("/health", summary="Does the record answer?", operation_id="health")
    async def health() -> Health:
        """Reads one row of the database; a database that does not answer gives status 503."""
        await work.look_up(lambda reader: reader.find("Patient", "none"))
        return Health(status="ok")

    return router
