"""Links to charts over HTTP: made and ended with a key, followed without one."""

from fastapi import APIRouter, Request, Response

from service.db.transactions import Transaction
from service.http.answers import MEDIA_TYPES, created
from service.http.cursors import Cursor, Limit, Page, after, next_cursor, whole_number
from service.http.dependencies import StoreDependency, Tester
from service.http.idempotency import OnceDependency
from service.links import queries, workflow
from service.links.schemas import LinkIn, LinkOut, NewLinkOut
from service.outlets.display import Display

router = APIRouter(prefix="/v1/links", tags=["links"])
public = APIRouter(prefix="/links", tags=["links"])

#: A picture for a page of another site, that is kept nowhere, sends no address on and runs nothing.
_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox",
    "Cross-Origin-Resource-Policy": "cross-origin",
    "X-Robots-Tag": "noindex",
}


@router.post("", status_code=201, response_model=NewLinkOut)
def create_link(
    request: Request, body: LinkIn, principal: Tester, store: StoreDependency, once: OnceDependency
) -> Response:
    """Make an address of one chart that needs no key, for embedding. It is in this answer and nowhere else."""
    claim = once.claim(store, body.model_dump(mode="json"))
    base = store.settings.base_url.rstrip("/") or str(request.base_url).rstrip("/")

    def answer(transaction: Transaction, link: LinkOut, token: str, subject_pk: int) -> Response:
        location = f"/v1/links/{link.id}"
        # What is kept for a repeated request has no token in it.
        transaction.answer(created(link, location), subject_pk=subject_pk)
        return created(NewLinkOut(**link.model_dump(), url=f"{base}/links/{token}"), location)

    return workflow.make(store, principal, body, answer=answer, claim=claim)


@router.get("")
def list_links(
    request: Request,
    response: Response,
    principal: Tester,
    store: StoreDependency,
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Page[LinkOut]:
    """The links this key made, the ended ones too; every link for an admin."""
    last = after(request, cursor, whole_number)
    with store.read() as session:
        found = queries.listed(session, principal, after=last, limit=limit)
        items = [queries.out(link, subject_id) for link, subject_id in found[:limit]]
        more = [found[limit - 1][0].id] if len(found) > limit else None
    return Page(items=items, next=next_cursor(request, response, more))


@router.delete("/{link_id}", status_code=204)
def delete_link(link_id: str, principal: Tester, store: StoreDependency) -> Response:
    """End a link, at once: one this key made; an admin any."""
    with store.write(principal.name) as transaction:
        queries.revoke(transaction, principal, link_id)
    return Response(status_code=204)


@public.get(
    "/{token}",
    response_class=Response,
    responses={
        200: {"description": "The chart", "content": {"image/svg+xml": {}, "image/png": {}}},
        410: {"description": "The link has ended"},
    },
)
def follow_link(request: Request, token: str, store: StoreDependency) -> Response:
    """The one chart that a link leads to, as it is now; no key is needed, and none is looked at."""
    from service.charts.look import reworded
    from service.charts.render import render_png, render_svg

    display: Display = request.app.state.display
    spec, form = workflow.drawn(store, token, display)
    # Light always: nobody knows the page that it stands in.
    shown, marks = reworded(spec, display.said), display.of_the_charts()
    content: bytes = (
        render_svg(shown, marks=marks).encode() if form == "svg" else render_png(shown, marks=marks)
    )
    return Response(content, media_type=MEDIA_TYPES[form], headers=_HEADERS)
