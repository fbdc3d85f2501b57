"""Importing a file over HTTP."""

from typing import Annotated, Literal

from fastapi import APIRouter, File, Form, Query, Response, UploadFile
from fastapi.exceptions import RequestValidationError
from pydantic import ValidationError

from service.analyses.workflow import Target
from service.errors import NotFound
from service.http.answers import MEDIA_TYPES, json_response
from service.http.cursors import Page
from service.http.dependencies import Reader, StoreDependency, Tester, VisitDependency
from service.http.idempotency import OnceDependency
from service.imports import workflow
from service.imports.schemas import ImportOptions, ImportOut, ImportTemplateOut
from service.intake.templates import TEMPLATES

router = APIRouter(prefix="/v1/visits/{visit_id}", tags=["imports"])
templates = APIRouter(prefix="/v1/import-templates", tags=["imports"])


def parsed_options(text: str) -> ImportOptions:
    """The options of an import from their JSON text; faults are named as fields of ``options``."""
    try:
        return ImportOptions.model_validate_json(text)
    except ValidationError as error:
        faults = [{**fault, "loc": ("options", *fault["loc"])} for fault in error.errors(include_url=False)]
        for fault in faults:
            if fault["type"] == "json_invalid":  # the body is readable, this field of it is not
                fault["type"] = "options_not_json"
        raise RequestValidationError(faults) from error


@router.post(
    "/imports",
    status_code=201,
    response_model=ImportOut,
    responses={
        200: {
            "model": ImportOut,
            "description": "A dry run, a repetition, or a file read anew into its test.",
        }
    },
)
def import_file(
    principal: Tester,
    ref: VisitDependency,
    store: StoreDependency,
    once: OnceDependency,
    file: Annotated[UploadFile, File(description="CSV or XLSX.")],
    options: Annotated[str, Form(max_length=100_000, description="JSON of the import options.")],
    dry_run: Annotated[
        bool, Query(description="Read and say what would be stored, and store nothing.")
    ] = False,
    replace: Annotated[bool, Query(description="Read the file anew into the test it became before.")] = False,
) -> Response:
    """Read a data file of a test, judge the test and store both."""
    chosen = parsed_options(options)
    source = workflow.Source(file.file.read(), file.filename or "file")
    if dry_run:
        return json_response(workflow.preview(store, ref.visit_pk, source, chosen))
    claim = once.claim(store, source.data, chosen.model_dump(mode="json"), dry_run, replace)

    def respond(imported: workflow.Imported) -> Response:
        location = {"Location": f"/v1/tests/{imported.answer.test_id}"} if imported.status == 201 else {}
        return json_response(imported.answer, status=imported.status, headers=location)

    target = Target(ref.subject_pk, ref.subject_id, ref.visit_pk, revision=ref.expected)
    return workflow.import_file(
        store, principal.name, target, source, chosen, replace=replace, claim=claim, respond=respond
    )


@templates.get("")
def list_import_templates(principal: Reader) -> Page[ImportTemplateOut]:
    """Every empty table to fill in, with what each column means, whole."""
    del principal
    return Page(items=[ImportTemplateOut.model_validate(one) for one in TEMPLATES.values()], next=None)


@templates.get(
    "/{name}",
    response_class=Response,
    responses={200: {"description": "The table, to be filled in", "content": {"text/csv": {}}}},
)
def get_import_template(
    name: str,
    principal: Reader,
    decimal_mark: Annotated[
        Literal[".", ","],
        Query(description="With a comma, cells are parted by semicolons, as spreadsheets there expect."),
    ] = ".",
    filled: Annotated[bool, Query(description="With invented rows, to see how it is filled in.")] = False,
) -> Response:
    """An empty table as CSV; filled in, it is read without a question."""
    del principal
    template = TEMPLATES.get(name)
    if template is None:
        raise NotFound(f"There is no template {name[:80]!r}; GET /v1/import-templates lists them.")
    kind = "example" if filled else "template"
    return Response(
        template.csv_text(decimal_mark, filled=filled),
        media_type=MEDIA_TYPES["csv"],
        headers={"Content-Disposition": f'attachment; filename="{name}-{kind}.csv"'},
    )
