"""Numbers for whoever runs the service, over HTTP."""

from pathlib import Path

from fastapi import APIRouter, Request, Response

from service.backups.workflow import backups_in
from service.db.transactions import now
from service.http.dependencies import Admin, StoreDependency
from service.upkeep import queries

router = APIRouter(tags=["health"])


@router.get(
    "/metrics",
    response_class=Response,
    responses={200: {"description": "Text format of Prometheus", "content": {"text/plain": {}}}},
)
def get_metrics(request: Request, principal: Admin, store: StoreDependency) -> Response:
    """Requests, times and sizes as numbers, in the text format of Prometheus; no ids and no names."""
    del principal
    with store.read() as session:
        gauges = {
            "upslope_database_bytes": ("Size of the database.", float(queries.size_bytes(session))),
            "upslope_last_change": ("Number of the last change.", float(queries.last_change(session))),
            **{
                f"upslope_{name}": (f"Number of {name} in the record.", float(count))
                for name, count in queries.counts(session).items()
            },
        }
    newest = next(iter(backups_in(Path(store.settings.backup_folder))), None)
    if newest is not None:
        gauges["upslope_backup_age_seconds"] = (
            "Time since the newest copy by the clock.",
            (now() - newest.at).total_seconds(),
        )
    text, media_type = request.app.state.metrics.text(gauges)
    return Response(text, media_type=media_type)
