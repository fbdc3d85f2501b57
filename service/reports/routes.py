"""Reports over HTTP: of a test, and of a person's history, as PDF or HTML."""

from datetime import date
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request, Response

from service.http import etags
from service.http.answers import MEDIA_TYPES, form
from service.http.dependencies import Reader, StoreDependency, SubjectDependency, SubjectRef, TestDependency
from service.outlets.display import Display
from service.outlets.report.document import Audience, Paper, Report
from service.outlets.report.html import content_policy, html_of
from service.outlets.report.pdf import pdf_of
from service.reports import workflow

router = APIRouter(prefix="/v1", tags=["reports"])

_Form = Annotated[
    Literal["pdf", "html"] | None, Query(description="Else by Accept; PDF where that says nothing.")
]
_Audience = Annotated[
    Audience,
    Query(description="`client`: one page in plain words; `record`: everything that is reported of a test."),
]
_Paper = Annotated[
    Paper | None,
    Query(
        description="Size of the sheet; else Letter where the site shows US units or a North American locale, and A4."
    ),
]
_CONTENT: dict[int | str, dict[str, Any]] = {
    200: {"description": "The report", "content": {"application/pdf": {}, "text/html": {}}}
}


@router.get("/tests/{test_id}/report", response_model=None, responses=_CONTENT)
def get_report(
    request: Request,
    principal: Reader,
    ref: TestDependency,
    store: StoreDependency,
    format: _Form = None,  # noqa: A002 the contract's name
    audience: _Audience = "client",
    paper: _Paper = None,
) -> Response:
    """The report of a test, for the client or for the record; the record's of a signed test is made from what was signed."""
    wanted = form(request, format, "pdf", "html")
    printed = workflow.print_day(store, ref.visit_pk)
    headers = _headers(request, ref, printed)
    report = workflow.report_of_test(
        store,
        principal,
        subject_pk=ref.subject_pk,
        subject_id=ref.subject_id,
        test_pk=ref.test_pk,
        audience=audience,
        paper=paper or _paper(_display(request)),
        printed=printed,
        display=_display(request),
    )
    return _answer(report, wanted, headers)


@router.get("/subjects/{subject_id}/report", response_model=None, responses=_CONTENT)
def get_history_report(
    request: Request,
    principal: Reader,
    ref: SubjectDependency,
    store: StoreDependency,
    format: _Form = None,  # noqa: A002 the contract's name
    audience: _Audience = "client",
    paper: _Paper = None,
) -> Response:
    """The report of a person's history: the trend of peak uptake, and every test."""
    wanted = form(request, format, "pdf", "html")
    printed = workflow.print_day(store, workflow.latest_visit(store, ref.subject_pk))
    headers = _headers(request, ref, printed)
    report = workflow.report_of_history(
        store,
        principal,
        subject_pk=ref.subject_pk,
        subject_id=ref.subject_id,
        audience=audience,
        paper=paper or _paper(_display(request)),
        printed=printed,
        display=_display(request),
    )
    return _answer(report, wanted, headers)


def _display(request: Request) -> Display:
    display: Display = request.app.state.display
    return display


def _paper(display: Display) -> Paper:
    """The sheet that printers hold where the site is (common practice, no source)."""
    at_home = display.units == "us" or display.locale[-2:] in {"US", "CA", "MX"}
    return "letter" if at_home else "a4"


def _headers(request: Request, ref: SubjectRef, printed: date) -> dict[str, str]:
    """The tag of a report: a sheet bears its day and is written as the site shows numbers, so both are part of it.

    Raises
    ------
    NotModified
        The client has this report of today; nothing is computed.
    """
    display = _display(request)
    tag = f'{ref.etag[:-1]}.{printed:%Y%m%d}.{display.locale or "neutral"}.{display.units}"'
    etags.check(request, tag, ref.subject_id, ref.revision, required=False)
    return {"ETag": tag, "Cache-Control": "private, no-cache"}


def _answer(report: Report, wanted: str, headers: dict[str, str]) -> Response:
    """The report in the form that was asked for."""
    if wanted == "html":
        policy = {"Content-Security-Policy": content_policy()}
        return Response(html_of(report), media_type=MEDIA_TYPES["html"], headers={**headers, **policy})
    name = {"Content-Disposition": 'inline; filename="report.pdf"'}
    return Response(pdf_of(report), media_type=MEDIA_TYPES["pdf"], headers={**headers, **name})
