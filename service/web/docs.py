"""The routes of the page that describes this service, and of its stylesheet."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from service.web.docs_page import render
from service.web.stylesheet import STYLESHEET


def docs_router() -> APIRouter:
    """The routes `/docs` and `/record.css`; they are no part of the document they show."""
    router = APIRouter(include_in_schema=False)

    @router.get("/docs")
    async def docs(request: Request) -> Response:
        return HTMLResponse(render(request.app.openapi(), "record.css"))

    @router.get("/record.css")
    async def css() -> Response:
        return Response(STYLESHEET, media_type="text/css")

    return router
