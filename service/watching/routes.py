"""Server-sent events of a test that is being recorded."""

from collections.abc import AsyncGenerator, Callable
from typing import Annotated, cast

from fastapi import APIRouter, Header, Request, Response
from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from service.errors import InvalidContent, Place
from service.http.dependencies import Reader, TestDependency
from service.http.keys import bearer_key_of, digest_of, session_token_of
from service.watching.workflow import Listens, Watch

router = APIRouter(prefix="/v1/tests/{test_id}", tags=["tests"])


class _EventStream(StreamingResponse):
    """A stream that is closed, and tells so, however the connection ends: also before its first word."""

    ended: Callable[[], None] = staticmethod(lambda: None)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            await cast("AsyncGenerator[str, None]", self.body_iterator).aclose()
            self.ended()


@router.get(
    "/events",
    response_class=_EventStream,
    responses={
        200: {
            "description": "Events `change` (what changed; the last of several carries the recording) and `end`",
            "content": {"text/event-stream": {}},
        },
        204: {"description": "The recording is over, and everything of it was told: do not come again"},
    },
)
async def watch_test(
    request: Request,
    principal: Reader,
    ref: TestDependency,
    last_event_id: Annotated[
        str | None, Header(description="The last id that was seen; what came after it is told first.")
    ] = None,
) -> Response:
    """What is recorded of a test, as it is stored; ends with the recording, or with the access of who watches."""
    since = _place(last_event_id)
    watch: Watch = request.app.state.watch
    signed_in = "form_token" in request.scope["state"]
    secret = session_token_of(request.scope) if signed_in else bearer_key_of(request.scope)
    listener = watch.join(
        Listens(ref.test_pk, ref.test_id, principal.key_id, None if secret is None else digest_of(secret))
    )
    try:
        first, is_over = await watch.begin(listener, since)
    except BaseException:
        watch.leave(listener)
        raise
    if is_over and not first:
        watch.leave(listener)
        return Response(status_code=204)
    stream = _EventStream(
        watch.stream(listener, first), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"}
    )
    stream.ended = lambda: watch.leave(listener)
    return stream


def _place(text: str | None) -> int | None:
    if text is None or not text.strip():
        return None
    if not text.strip().isascii() or not text.strip().isdigit() or len(text.strip()) > 18:
        message = "must be an id of an event of this stream, a whole number"
        raise InvalidContent(f"Last-Event-ID {message}.", (Place("header.Last-Event-ID", message),))
    return int(text)
