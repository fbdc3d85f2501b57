"""What can go wrong, as one tree. It knows nothing of HTTP: `service.http.problems` gives each a status.

::

    UpslopeError
    ├── Unauthenticated            no key, or one that is wrong, expired or revoked
    ├── Forbidden                  the key's scope does not cover this
    ├── NotFound                   no such thing, or not for this key
    ├── Conflict                   true of the request, not of the record as it stands
    │   ├── DuplicateCode          a subject with this code exists
    │   ├── FileAlreadyImported    the same bytes with other options
    │   ├── HoldsData              a deletion that would take data with it
    │   └── IntervalNotAfterLast   a recorded interval that is not new
    ├── Gone                       that part of the feed is no longer kept
    │   └── LinkEnded              a link to a chart that expired or was revoked
    ├── StaleRevision              the record changed since it was read
    ├── PreconditionRequired       the setting wants a change to name the state it changes
    ├── TooLarge                   more bytes, rows or columns than the settings allow
    ├── UnsupportedMediaType       a file or body of a kind this service does not read
    ├── UnreadableBody             the body is not what its content type says
    ├── TooManyRequests            a rate limit
    ├── RecordUnavailable          the database cannot be used now: full, read-only, damaged, not reachable, busy
    └── InvalidContent             readable, but not acceptable; places in `errors`
        ├── RefusedFile            a data file that cannot be read without guessing
        └── KeyReused              an Idempotency-Key used for other content
"""

from dataclasses import dataclass, field
from typing import Any, ClassVar


@dataclass(frozen=True, slots=True)
class Place:
    """One thing that is wrong and where it is.

    Attributes
    ----------
    location : str
        Field path (``body.sex``), option name or ``file``.
    message : str
        What is wrong and what to do, for a person.
    value : object, optional
        The offending value, where it may be repeated.
    row, column : int or str, optional
        Row number as a spreadsheet counts (the first line of the file is 1) and column header.
    """

    location: str
    message: str
    value: Any = None
    row: int | None = None
    column: str | None = None

    def as_dict(self) -> dict[str, Any]:
        """JSON form; `value`, `row` and `column` only where they are known."""
        answer: dict[str, Any] = {"location": self.location, "message": self.message}
        for name in ("value", "row", "column"):
            if (given := getattr(self, name)) is not None:
                answer[name] = given
        return answer


@dataclass(eq=False)
class UpslopeError(Exception):
    """Root of the tree.

    Attributes
    ----------
    detail : str
        One sentence for the person who asked.
    errors : tuple of Place
        The single faults, where there are several or where a place is known.
    extra : dict
        Further members of the answer, such as the id of a test that exists already.
    """

    slug: ClassVar[str] = "internal-error"
    title: ClassVar[str] = "The service failed"

    detail: str
    errors: tuple[Place, ...] = ()
    extra: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        super().__init__(self.detail)

    def __str__(self) -> str:
        return self.detail


class Unauthenticated(UpslopeError):
    """No key, or one that is wrong, expired or revoked."""

    slug, title = "unauthenticated", "A valid key is needed"


class Forbidden(UpslopeError):
    """The key's scope does not cover this."""

    slug, title = "forbidden", "The key does not allow this"


class NotFound(UpslopeError):
    """No such thing, or not for this key."""

    slug, title = "not-found", "Not found"


class Conflict(UpslopeError):
    """True of the request, not of the record as it stands."""

    slug, title = "conflict", "In conflict with the record"


class DuplicateCode(Conflict):
    """A subject with this code exists."""

    slug, title = "duplicate-code", "This code is taken"


class FileAlreadyImported(Conflict):
    """The same bytes were imported with other options."""

    slug, title = "file-already-imported", "This file is in the record already"


class HoldsData(Conflict):
    """A deletion that would take data with it."""

    slug, title = "holds-data", "It holds data"


class IntervalNotAfterLast(Conflict):
    """A recorded interval that does not follow the last stored one."""

    slug, title = "interval-not-after-last", "The interval does not follow the last one"


class Gone(UpslopeError):
    """That part of the feed is no longer kept."""

    slug, title = "gone", "No longer kept"


class LinkEnded(Gone):
    """A link to a chart that expired or was revoked."""

    slug, title = "link-ended", "This link has ended"


class StaleRevision(UpslopeError):
    """The record changed since it was read."""

    slug, title = "stale-revision", "The record has changed since you read it"


class PreconditionRequired(UpslopeError):
    """The setting wants a change to name the state it changes."""

    slug, title = "precondition-required", "If-Match is needed"


class TooLarge(UpslopeError):
    """More bytes, rows or columns than the settings allow."""

    slug, title = "too-large", "Too large"


class UnsupportedMediaType(UpslopeError):
    """A file or body of a kind this service does not read."""

    slug, title = "unsupported-media-type", "Not a kind of content this reads"


class UnreadableBody(UpslopeError):
    """The body is not what its content type says."""

    slug, title = "unreadable-body", "The body cannot be read"


class TooManyRequests(UpslopeError):
    """A rate limit; `extra` has ``retry_after_s``."""

    slug, title = "too-many-requests", "Too many requests"


class RecordUnavailable(UpslopeError):
    """The database cannot be used now."""

    slug, title = "record-unavailable", "The record cannot be used now"


class InvalidContent(UpslopeError):
    """Readable, but not acceptable; the places are in `errors`."""

    slug, title = "invalid-content", "The content is not acceptable"


class RefusedFile(InvalidContent):
    """A data file that cannot be read without guessing, or that holds what cannot be."""

    slug, title = "refused-file", "The file is refused"


class KeyReused(InvalidContent):
    """An Idempotency-Key used again for other content."""

    slug, title = "idempotency-key-reused", "This Idempotency-Key was used for other content"
