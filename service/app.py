"""The service: middleware, routers, error handlers, lifespan. The only module that knows every part."""

import asyncio
import io
import json
import logging
import signal
import sys
import threading
import traceback
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from types import FrameType
from typing import Any, TextIO, cast

import sqlalchemy as sa
import structlog
from fastapi import Depends, FastAPI, Request
from fastapi.middleware.cors import CORSMiddleware
from fastapi.routing import APIRoute
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response
from structlog.typing import EventDict

from service import __version__
from service.analyses.routes import router as analyses
from service.audit.routes import router as audit
from service.catalogues.routes import router as catalogues
from service.changes.routes import router as changes
from service.cohorts.routes import router as cohorts
from service.comparisons.routes import router as comparisons
from service.conclusions.routes import router as conclusions
from service.controls.routes import router as controls
from service.db.transactions import Store
from service.duties.workflow import duties_of
from service.effort_rules.routes import router as effort_rules
from service.events.routes import router as events
from service.exercise_tests.routes import router as exercise_tests
from service.exports.routes import router as exports
from service.fhir.routes import public as code_systems
from service.fhir.routes import router as fhir
from service.http import problems
from service.http.answers import json_response
from service.http.dependencies import StoreDependency, readable_kind
from service.http.etags import NotModified
from service.http.headers import HeadersMiddleware
from service.http.idempotency import Replayed
from service.http.keys import BodyLimitMiddleware, KeyMiddleware, LastUse, PerMinute
from service.http.metrics import Metrics
from service.http.probes import health, readiness
from service.http.ready import ReadyAnswers, ReadyMiddleware
from service.imports.routes import router as imports
from service.imports.routes import templates as import_templates
from service.keys.routes import router as keys
from service.links.routes import public as followed_links
from service.links.routes import router as links
from service.norms.routes import router as norms
from service.outlets.display import Display
from service.pages.batch_import import router as batch_import
from service.pages.closing_forms import router as closing_forms
from service.pages.compare import router as compare
from service.pages.devices import router as devices
from service.pages.event_forms import router as event_forms
from service.pages.exercise_test import router as exercise_test
from service.pages.groups import router as groups
from service.pages.import_form import router as import_form
from service.pages.people import router as people
from service.pages.person_forms import router as person_forms
from service.pages.preparation import router as preparation
from service.pages.recording_sheet import router as recording_sheet
from service.pages.rendering import refused_page
from service.pages.routes import router as pages
from service.pages.routes import static
from service.pages.rows import router as rows
from service.pages.settings_form import router as settings_form
from service.pages.signing import router as signing
from service.pages.site import router as site_page
from service.pages.site_keys import router as site_keys
from service.pages.site_settings import router as site_settings
from service.pages.test_form import router as test_form
from service.pages.thresholds_form import router as thresholds_form
from service.pages.visit_forms import router as visit_forms
from service.privacy.routes import router as privacy
from service.protocols.routes import router as protocols
from service.recordings.routes import router as recordings
from service.reliability.routes import router as reliability
from service.reports.routes import router as reports
from service.settings import Settings
from service.site.routes import router as site
from service.subjects.routes import router as subjects
from service.trends.routes import models as ageing_models
from service.trends.routes import router as trends
from service.upkeep.routes import router as metrics
from service.visits.routes import router as visits
from service.watching.routes import router as watching
from service.watching.workflow import Watch

#: The renderers take all that the machine has: the first answers go before them.
_WARM_UP_AFTER_S = 2.0

_ABOUT = """
The longitudinal record of graded exercise tests: peak, plateau, effort, standing and trend, each number with its
method, source and what it does not say.

For people who are trained and allowed to run exercise tests. Nothing here is a diagnosis; local rules and licensed
practice decide.
"""

ROUTERS = (
    subjects,
    visits,
    protocols,
    exercise_tests,
    recordings,
    watching,
    imports,
    import_templates,
    analyses,
    conclusions,
    reports,
    trends,
    comparisons,
    norms,
    effort_rules,
    catalogues,
    cohorts,
    reliability,
    controls,
    events,
    ageing_models,
    exports,
    changes,
    audit,
    privacy,
    site,
    keys,
    fhir,
    links,
    metrics,
)

#: What needs no key.
PUBLIC = (code_systems, followed_links)

#: The pages, and the first parts of the addresses of those that need a session.
PAGES = (
    pages,
    signing,
    person_forms,
    visit_forms,
    event_forms,
    preparation,
    import_form,
    batch_import,
    people,
    compare,
    recording_sheet,
    exercise_test,
    closing_forms,
    settings_form,
    test_form,
    thresholds_form,
    rows,
    groups,
    site_page,
    site_settings,
    site_keys,
    devices,
)
SIGNED_IN = ("/people", "/visits", "/tests", "/groups", "/imports", "/site", "/sign-out")

#: Statuses that any address under /v1 may answer with, all as problem details.
_PROBLEMS = {
    400: "Unreadable body",
    401: "No valid key",
    403: "The key's scope does not cover this",
    404: "No such record, or not for this key",
    409: "In conflict with the record",
    412: "The record has changed",
    413: "Too large",
    415: "Not a kind of content this reads",
    422: "The content is not acceptable",
    428: "If-Match is needed",
    429: "Too many requests",
}


def operation_id(route: APIRoute) -> str:
    """Names of functions are unique, and short enough for a generated client."""
    return route.name


def create_app(settings: Settings, store: Store | None = None, *, warm: bool = False) -> FastAPI:
    """The service for these settings.

    Parameters
    ----------
    settings : Settings
    store : Store, optional
        Made from the settings where it is not given; closed at the end in either case.
    warm : bool
        Start the renderers of charts and reports in the background, a moment after the start, so that the first is as quick as
        the next.
    """
    store = store or Store(settings)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        del app
        renderers = threading.Timer(_WARM_UP_AFTER_S, _warm_up)
        renderers.daemon = True
        if warm:
            renderers.start()
        duties.start()
        _on_the_way_out(watch.let_go)
        yield
        renderers.cancel()
        await watch.stop()
        await run_in_threadpool(duties.stop)
        store.close()

    app = FastAPI(
        title="Upslope",
        version=__version__,
        description=_ABOUT,
        license_info={"name": "Apache-2.0"},
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        generate_unique_id_function=operation_id,
        redirect_slashes=False,
        dependencies=[Depends(readable_kind)],
    )
    app.state.store = store
    watch = app.state.watch = Watch(lambda: app.state.store)
    app.state.display = Display(settings.locale, settings.display_units)
    app.state.key_failures = PerMinute(settings.auth_failures_per_minute)
    app.state.metrics = Metrics()
    last_use = LastUse()
    duties = duties_of(store, last_use)
    problems.install(app, settings.base_url)

    @app.exception_handler(NotModified)
    async def not_modified(request: Request, current: NotModified) -> Response:
        del request
        return current.response()

    @app.exception_handler(Replayed)
    async def replayed(request: Request, first: Replayed) -> Response:
        del request
        return first.response

    for router in ROUTERS:
        app.include_router(router)
    for router in (*PUBLIC, *PAGES):
        app.include_router(router)
    app.mount("/static", static)
    _health(app)
    _describe(app)

    # The last added is the outermost: headers, origins, key, answers kept ready, size.
    app.add_middleware(BodyLimitMiddleware, settings=settings, pages=SIGNED_IN, page_of=refused_page)
    app.add_middleware(ReadyMiddleware, answers=ReadyAnswers(settings.ready_mib * 1024 * 1024))
    app.add_middleware(
        KeyMiddleware,
        settings=settings,
        failures=app.state.key_failures,
        last_use=last_use,
        pages=SIGNED_IN,
    )
    if origins := [origin.strip() for origin in settings.cors_origins.split(",") if origin.strip()]:
        app.add_middleware(
            CORSMiddleware,
            allow_origins=origins,
            allow_methods=["GET"],
            allow_headers=["Authorization", "If-None-Match"],
            expose_headers=["ETag", "Link", "Location", "Retry-After"],
        )
    app.add_middleware(HeadersMiddleware, metrics=app.state.metrics)
    return app


def _on_the_way_out(do: Callable[[], None]) -> None:
    """Do something as soon as the process is told to stop: the server waits for its open answers before it says so."""
    if threading.current_thread() is not threading.main_thread():
        return  # a server within another program has no signals of its own
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        before = signal.getsignal(number)

        def handle(told: int, frame: FrameType | None, before: Any = before) -> None:
            loop.call_soon_threadsafe(do)
            if callable(before):
                before(told, frame)

        signal.signal(number, handle)


def _warm_up() -> None:
    from service.charts import render
    from service.outlets.report import pdf

    render.warm_up()
    pdf.warm_up()


def _health(app: FastAPI) -> None:
    @app.get("/healthz", tags=["health"])
    def healthz() -> dict[str, str]:
        """Whether the process answers."""
        return health()

    @app.get("/readyz", tags=["health"], responses={503: {"description": "Not ready, with the reason"}})
    def readyz(store: StoreDependency) -> Response:
        """Whether the database can be used by this program."""

        def touch() -> None:
            with store.read() as session:
                session.execute(sa.text("select 1"))

        status, body = readiness(store.settings, touch)
        return json_response(body, status=status)


def _describe(app: FastAPI) -> None:
    """Complete the OpenAPI document: the key, and problems as they really are."""
    made: dict[str, Any] | None = None
    original = app.openapi

    def openapi() -> dict[str, Any]:
        nonlocal made
        if made is None:
            made = original()
            components = made.setdefault("components", {})
            components["securitySchemes"] = {
                "key": {"type": "http", "scheme": "bearer", "description": "upslope keys create"}
            }
            schemas = components.setdefault("schemas", {})
            schemas["Problem"] = _PROBLEM_SCHEMA
            for unused in ("HTTPValidationError", "ValidationError"):
                schemas.pop(unused, None)
            for path, operations in made["paths"].items():
                for operation in operations.values():
                    answers = operation["responses"]
                    if path.startswith(("/v1", "/metrics")):
                        operation["security"] = [{"key": []}]
                        answers |= {
                            str(status): {"description": meaning} for status, meaning in _PROBLEMS.items()
                        }
                    elif answers.pop("422", None) is not None:  # an address that names something
                        answers["404"] = {"description": "There is no such thing"}
                    for status, answer in answers.items():
                        if int(status) >= 400 and operation["tags"] != ["health"]:
                            answer["content"] = {
                                "application/problem+json": {
                                    "schema": {"$ref": "#/components/schemas/Problem"}
                                }
                            }
        return made

    app.openapi = openapi  # type: ignore[method-assign] # FastAPI's documented way


_PROBLEM_SCHEMA = {
    "title": "Problem",
    "description": "Problem details (RFC 9457).",
    "type": "object",
    "required": ["type", "title", "status", "detail", "instance", "errors"],
    "properties": {
        "type": {"type": "string", "description": "Stable address of this kind of error in the guide."},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "instance": {"type": "string"},
        "errors": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["location", "message"],
                "properties": {
                    "location": {"type": "string"},
                    "message": {"type": "string"},
                    "value": {},
                    "row": {"type": "integer"},
                    "column": {"type": "string"},
                },
            },
        },
    },
}


def openapi_text() -> str:
    """The OpenAPI document as it is committed."""
    app = create_app(Settings(database_url="sqlite:///never-opened.db"))
    return json.dumps(app.openapi(), indent=1, ensure_ascii=False, sort_keys=True) + "\n"


class _StandardError(io.TextIOBase):
    """Standard error as it is when a line is written: one that was taken at the start may be closed by then."""

    def write(self, text: str) -> int:
        return sys.stderr.write(text)

    def flush(self) -> None:
        sys.stderr.flush()


def _trace_without_values(logger: Any, method: str, event: EventDict) -> EventDict:
    """Where a fault came from and of which kind it is: its message may hold what somebody typed."""
    del logger, method
    error = event.pop("exc_info", None)
    if isinstance(error, BaseException):
        chain: list[str] = []
        while error is not None:
            frames = traceback.extract_tb(error.__traceback__)
            chain += [type(error).__name__, *(f"{one.filename}:{one.lineno} {one.name}" for one in frames)]
            error = error.__cause__
        event["trace"] = chain
    return event


def configure_logging(level: str) -> None:
    """One line of JSON for each event, on standard error; no personal data, no keys.

    At the level ``debug`` a fault is logged with its message, which may hold what somebody typed.
    """
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info if level == "debug" else _trace_without_values,
            structlog.processors.JSONRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelNamesMapping()[level.upper()]),
        logger_factory=structlog.PrintLoggerFactory(file=cast("TextIO", _StandardError())),
    )
