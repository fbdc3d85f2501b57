"""Public pages: the guide, and the reference of the API with no network."""

import json
from importlib.resources import files

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, PackageLoader, select_autoescape
from starlette.exceptions import HTTPException

from service.pages import guide

router = APIRouter(include_in_schema=False)
static = StaticFiles(directory=str(files("service.pages") / "static"))
_templates = Environment(loader=PackageLoader("service.pages"), autoescape=select_autoescape())


@router.get("/")
def home() -> RedirectResponse:
    """To the people, which asks a browser that did not sign in for a key."""
    return RedirectResponse("/people")


@router.get("/guide")
def guide_index() -> HTMLResponse:
    """First page of the guide."""
    return guide_page("index")


@router.get("/guide/{name}")
def guide_page(name: str) -> HTMLResponse:
    """One page of the guide."""
    page = guide.pages().get(name)
    if page is None:
        raise HTTPException(404, f"The guide has no page {name[:80]!r}; /guide lists them.")
    return HTMLResponse(_templates.get_template("guide.html").render(page=page, groups=guide.contents()))


@router.get("/docs")
def docs(request: Request) -> HTMLResponse:
    """The reference of the API, drawn in the browser from /openapi.json."""
    del request
    return HTMLResponse(
        _templates.get_template("docs.html").render(options=json.dumps({"url": "/openapi.json"}))
    )
