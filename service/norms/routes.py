"""Reference tables over HTTP."""

from typing import Annotated, Any, Literal, get_args

from fastapi import APIRouter, Query, Response

from service.analyses.queries import bump_site, norm_tables
from service.analysis.norms import rank
from service.exercise_tests.schemas import Mode
from service.http.answers import created
from service.http.cursors import Page
from service.http.dependencies import Reader, SiteTester, StoreDependency
from service.http.idempotency import OnceDependency
from service.http.wire import FreeObject
from service.norms import queries
from service.reference.tables import NormTable

router = APIRouter(prefix="/v1/norms", tags=["norms"])


@router.get("")
def list_norms(principal: Reader, store: StoreDependency) -> Page[dict[str, Any]]:
    """Published tables and the site's own, whole, with whom each covers."""
    del principal
    with store.read() as session:
        tables = norm_tables(session)
        own = queries.loaded(session)
        default_of = {
            table.id: mode
            for mode, table in queries.defaults(session, get_args(Mode)).items()
            if table is not None
        }
    return Page(
        items=[
            {
                **table.as_document(),
                "loaded_by_site": table.id in own,
                "default_for_mode": default_of.get(table.id),
            }
            for table in tables
        ],
        next=None,
    )


@router.post("", status_code=201)
def create_norm(
    body: FreeObject, principal: SiteTester, store: StoreDependency, once: OnceDependency
) -> Response:
    """Load a site's own table; it ranks like a published one from then on."""
    claim = once.claim(store, body)
    table = NormTable.from_document(body, where="body")
    with store.write(principal.name, claim) as transaction:
        queries.add(transaction.session, table)
        bump_site(transaction.session)
        transaction.changed("norm", table.id, action="created", payload={"after": body})
        return transaction.answer(created(table.as_document(), f"/v1/norms/{table.id}"))


@router.get("/{norm_id}")
def get_norm(norm_id: str, principal: Reader, store: StoreDependency) -> dict[str, Any]:
    """One table with its values."""
    del principal
    with store.read() as session:
        return queries.get(session, norm_id).as_document()


@router.get("/{norm_id}/rank")
def get_rank(
    norm_id: str,
    principal: Reader,
    store: StoreDependency,
    value: Annotated[float, Query(gt=0, le=200, allow_inf_nan=False, description="VO2peak in mL/kg/min.")],
    sex: Literal["female", "male"] | None = None,
    age_years: Annotated[float | None, Query(ge=0, le=120, allow_inf_nan=False)] = None,
    rer: Annotated[
        float | None,
        Query(ge=0.5, le=2.2, allow_inf_nan=False, description="Peak RER; not judged where left out."),
    ] = None,
    mode: Annotated[
        Literal["treadmill", "cycle", "arm", "row", "ski", "step", "walk", "run"] | None, Query()
    ] = None,
) -> dict[str, Any]:
    """Where a value stands; 200 with a reason where it stands nowhere."""
    del principal
    with store.read() as session:
        table = queries.get(session, norm_id)
    return rank(
        table,
        sex=sex,
        age_years=age_years,
        value_ml_kg_min=value,
        rer=rer,
        mode=mode,
        rer_required=rer is not None,
    ).as_dict()
