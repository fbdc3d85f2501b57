"""Answers in the forms that routes share."""

import tempfile
from collections.abc import Callable, Iterator, Mapping
from typing import IO, Any

from fastapi import Request
from pydantic import BaseModel
from starlette.exceptions import HTTPException
from starlette.responses import Response, StreamingResponse

from service.http.keys import json_bytes

#: Media type of each form that an address may have.
MEDIA_TYPES: dict[str, str] = {
    "json": "application/json",
    "fhir": "application/fhir+json",
    "csv": "text/csv; charset=utf-8",
    "parquet": "application/vnd.apache.parquet",
    "svg": "image/svg+xml",
    "png": "image/png",
    "pdf": "application/pdf",
    "html": "text/html; charset=utf-8",
}

_PIECE = 64 * 1024


def json_response(
    body: BaseModel | Any, *, status: int = 200, headers: Mapping[str, str] | None = None
) -> Response:
    """A JSON answer, made before the transaction ends so that what is answered is what is stored."""
    plain = body.model_dump(mode="json") if isinstance(body, BaseModel) else body
    return Response(
        json_bytes(plain), status_code=status, media_type="application/json", headers=dict(headers or {})
    )


def created(body: BaseModel | Any, location: str) -> Response:
    """201 with the address of what was made."""
    return json_response(body, status=201, headers={"Location": location})


def form(request: Request, asked: str | None, *offered: str) -> str:
    """Which form is wanted, by ``?format=`` or by Accept; the first offered is the default.

    Raises
    ------
    HTTPException
        406, where Accept names only others.
    """
    if asked is not None:
        if asked not in offered:
            raise HTTPException(406, f"This address answers as {', '.join(offered)}, not as {asked[:40]}.")
        return asked
    accept = request.headers.get("accept", "*/*")
    by_type = {MEDIA_TYPES[name].split(";", maxsplit=1)[0]: name for name in reversed(offered)}
    for part in accept.split(","):
        wanted = part.split(";", maxsplit=1)[0].strip().lower()
        if wanted in {"*/*", "", "application/*"}:
            return offered[0]
        if wanted in by_type:
            return by_type[wanted]
    raise HTTPException(406, f"This address answers as {', '.join(offered)}.")


def archive(make: Callable[[IO[bytes]], str]) -> StreamingResponse:
    """A zip archive that `make` writes, under the name that it answers.

    It is made in a file of this process, without a name, before the first byte is sent: what fails is told, and nothing
    stays behind.
    """
    file = tempfile.TemporaryFile()  # noqa: SIM115 closed by the answer that sends it
    try:
        name = make(file)
        size = file.tell()
        file.seek(0)
    except BaseException:
        file.close()
        raise
    return StreamingResponse(
        _pieces(file),
        media_type="application/zip",
        headers={
            "Content-Disposition": f'attachment; filename="{name}.zip"',
            "Content-Length": str(size),
        },
    )


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    with file:
        while piece := file.read(_PIECE):
            yield piece
