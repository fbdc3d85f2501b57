"""The settings of the site over HTTP."""

from fastapi import APIRouter, Response

from service.http.answers import json_response
from service.http.dependencies import Admin, Reader, SiteDependency, StoreDependency
from service.site import queries
from service.site.schemas import SiteOut, SitePatch

router = APIRouter(prefix="/v1/site", tags=["site"])


@router.get("")
def get_site(principal: Reader, ref: SiteDependency, store: StoreDependency) -> SiteOut:
    """What the site has set, and what is in force."""
    del principal, ref
    with store.read() as session:
        return queries.out(session)


@router.patch("", response_model=SiteOut)
def change_site(body: SitePatch, principal: Admin, ref: SiteDependency, store: StoreDependency) -> Response:
    """Change what the site has set. Analyses that are stored keep their settings until they are analysed anew."""
    given = body.model_dump(mode="json", exclude_unset=True)
    if given.get("analysis") is not None:
        given["analysis"] = {name: value for name, value in given["analysis"].items() if value is not None}
    with store.write(principal.name) as transaction:
        session = transaction.session
        before, after = queries.change(session, given, expected=ref.expected)
        transaction.changed("site", "site", action="changed", payload={"before": before, "after": after})
        return json_response(queries.out(session))
