"""The routes of the page that describes this service, and of its stylesheet."""

from __future__ import annotations

from importlib.resources import files

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from service.web.docs_page import render


def docs_router() -> APIRouter:
    """The routes `/docs` and `/record.css`; they are no part of the document they show."""
    router = APIRouter(include_in_schema=False)
    stylesheet = files("service.web").joinpath("static/record.css").read_bytes()

    @router.get("/docs")
    async def docs(request: Request) -> Response:
        return HTMLResponse(render(request.app.openapi(), "record.css"))

    @router.get("/record.css")
    async def css() -> Response:
        return Response(stylesheet, media_type="text/css")

    return router
