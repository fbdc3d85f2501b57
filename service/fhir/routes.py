"""FHIR over HTTP: the Bundle of a subject, and our codes, which anybody may read."""

from typing import Any

from fastapi import APIRouter, Request, Response

from service import __version__
from service.fhir import workflow
from service.http.answers import form
from service.http.dependencies import Reader, StoreDependency, SubjectDependency
from service.http.keys import json_bytes
from service.outlets.fhir import MEDIA_TYPE

router = APIRouter(prefix="/v1/subjects/{subject_id}/fhir", tags=["fhir"])
public = APIRouter(prefix="/fhir/CodeSystem", tags=["fhir"])


#: A resource is a JSON object; what is in it is described by FHIR itself.
_AS_JSON: dict[int | str, dict[str, Any]] = {
    200: {"description": "A FHIR R4 resource", "content": {MEDIA_TYPE: {"schema": {"type": "object"}}}}
}


class FhirResponse(Response):
    """A resource of FHIR as JSON."""

    media_type = MEDIA_TYPE

    def render(self, content: Any) -> bytes:
        """Compact JSON."""
        return json_bytes(content)


@router.get("", response_class=FhirResponse, responses=_AS_JSON)
def get_fhir_bundle(
    request: Request, principal: Reader, ref: SubjectDependency, store: StoreDependency
) -> FhirResponse:
    """The tests of a subject as a FHIR R4 Bundle: Patient, a report for each test, observations with method and body mass.

    Names and the full birth date are in it only for a key that may see them.
    """
    form(request, None, "fhir", "json")
    content = workflow.bundle_of(store, ref.subject_pk, identity=principal.sees_identity)
    return FhirResponse(content, headers=ref.headers)


@public.get("/{name}", response_class=FhirResponse, responses=_AS_JSON)
def get_code_system(name: str, store: StoreDependency) -> FhirResponse:
    """One of the code systems of this service as a FHIR CodeSystem; no key is needed."""
    content = workflow.code_system_of(store, name, __version__)
    return FhirResponse(content, headers={"Cache-Control": "public, max-age=3600"})
