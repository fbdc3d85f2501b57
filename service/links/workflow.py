"""Making a link to one chart, and drawing the chart that a link leads to.

A link is no part of the record: making or ending one does not bump the subject's revision, and changes no tag.
"""

import re
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, TypeVar
from urllib.parse import parse_qsl, urlencode, urlsplit

import sqlalchemy as sa
from pydantic import BaseModel, ValidationError

from service.analyses.workflow import CHARTS, chart_of
from service.db.models import ExerciseTest, Subject, Visit
from service.db.transactions import Claim, Store, Transaction, now
from service.errors import InvalidContent, NotFound, Place
from service.http.keys import Principal
from service.links import queries
from service.links.schemas import ChartQuery, LinkIn, LinkOut, TrendQuery
from service.outlets.display import NEUTRAL, Display
from service.quantities import QUANTITIES
from service.trends.workflow import trend_chart, trend_of

T = TypeVar("T")
Q = TypeVar("Q", bound=BaseModel)

_TREND = re.compile(r"/v1/subjects/([a-z0-9]{1,64})/trends/(\w{1,80})")
_TEST = re.compile(r"/v1/tests/([a-z0-9]{1,64})/charts/(\w{1,80})")
#: How long a link works where nothing else is asked for.
USUAL_DAYS = 30


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart, as an address names it.

    Attributes
    ----------
    subject_id, quantity : str or None
        Of a trend.
    test_id, chart : str or None
        Of a test.
    query : TrendQuery or ChartQuery
    """

    query: TrendQuery | ChartQuery
    subject_id: str | None = None
    quantity: str | None = None
    test_id: str | None = None
    chart: str | None = None

    @property
    def address(self) -> str:
        """The address in one form: without what is left to its default, and in one order."""
        path = (
            f"/v1/tests/{self.test_id}/charts/{self.chart}"
            if self.test_id is not None
            else f"/v1/subjects/{self.subject_id}/trends/{self.quantity}"
        )
        given = self.query.model_dump(mode="json", by_alias=True, exclude_defaults=True)
        given["format"] = self.query.format
        return f"{path}?{urlencode(sorted(given.items()))}"


def chart_at(address: str) -> Chart:
    """The chart that an address names.

    Raises
    ------
    InvalidContent
        It names none, or has a query that the chart does not know.
    """
    try:
        parts = urlsplit(address)
        pairs = parse_qsl(parts.query, keep_blank_values=True, strict_parsing=bool(parts.query))
    except ValueError:
        raise _refused("cannot be read") from None
    if parts.scheme or parts.netloc or parts.fragment:
        raise _refused("must begin with /v1/ and have no host and no #")
    given = dict(pairs)
    if len(given) != len(pairs):
        raise _refused("gives a parameter twice")
    if trend := _TREND.fullmatch(parts.path):
        subject_id, quantity = trend.groups()
        if quantity not in QUANTITIES:
            raise _refused(f"names no quantity: {quantity}; GET /v1/quantities lists them")
        return Chart(_query(TrendQuery, given), subject_id=subject_id, quantity=quantity)
    if test := _TEST.fullmatch(parts.path):
        test_id, chart = test.groups()
        if chart not in CHARTS:
            raise _refused(f"names no chart: {chart}; a test has {', '.join(CHARTS)}")
        return Chart(_query(ChartQuery, given), test_id=test_id, chart=chart)
    raise _refused(
        "is not that of a chart: /v1/subjects/{id}/trends/{quantity} or /v1/tests/{id}/charts/{chart}"
    )


def _query(kind: type[Q], given: dict[str, str]) -> Q:
    try:
        return kind.model_validate(given)
    except ValidationError as error:
        fault = error.errors()[0]
        name = ".".join(str(part) for part in fault["loc"])
        raise _refused(f"has a query that does not fit: {name}: {fault['msg']}") from error


def _refused(message: str) -> InvalidContent:
    return InvalidContent(f"address {message}.", (Place("body.address", message),))


def make(
    store: Store,
    principal: Principal,
    wanted: LinkIn,
    *,
    answer: Callable[[Transaction, LinkOut, str, int], T],
    claim: Claim | None = None,
) -> T:
    """Make a link.

    Parameters
    ----------
    wanted : LinkIn
    answer : callable
        Takes the open transaction, the link, its token (which is not kept) and the internal key of the subject.

    Raises
    ------
    InvalidContent
        An address that is no chart's, or an end that cannot be.
    NotFound
        The address is under no subject, or under one that the key does not cover.
    """
    chart = chart_at(wanted.address)
    with store.read() as session:
        subject = queries.subject_of(session, principal, subject_id=chart.subject_id, test_id=chart.test_id)
        if subject is None:
            raise NotFound("The address names no subject or test, or your key does not cover it.")
        expires_at = _end(wanted, store.settings.link_days, queries.key_expiry(session, principal))
    subject_pk, subject_id = subject
    if isinstance(chart.query, TrendQuery):
        # Drawn once, so that a table or model that there is not is told now.
        _trend_spec(store, subject_pk, subject_id, chart, chart.query)
    token = secrets.token_urlsafe(32)
    with store.write(principal.name, claim) as transaction:
        link = queries.add(
            transaction,
            principal,
            subject_pk=subject_pk,
            subject_id=subject_id,
            address=chart.address,
            token=token,
            expires_at=expires_at,
        )
        return answer(transaction, queries.out(link, subject_id), token, subject_pk)


def _end(wanted: LinkIn, most_days: int, key_expiry: datetime | None) -> datetime:
    """When the link ends; what is too long is refused and not cut short."""
    at = now()
    given = "expires_at" if wanted.expires_at is not None else "days"
    days = min(USUAL_DAYS, most_days) if wanted.days is None else wanted.days
    message = None
    if wanted.expires_at is None and days > most_days:
        message = f"is more than the {most_days} days this site allows"
    end = wanted.expires_at or at + timedelta(days=min(days, most_days))
    if end <= at:
        message = "lies in the past"
    elif end > at + timedelta(days=most_days):
        message = f"lies more than the {most_days} days ahead that this site allows"
    elif key_expiry is not None and end > key_expiry:
        message = f"is later than your key's own end, {key_expiry.isoformat()}; a link ends with its key"
    if message is not None:
        raise InvalidContent(f"{given} {message}.", (Place(f"body.{given}", message),))
    return end


def drawn(store: Store, token: str, display: Display = NEUTRAL) -> tuple[dict[str, Any], str]:
    """The specification of the chart that a link leads to, and the form it is to be drawn in.

    Raises
    ------
    NotFound
        There is no such link, or its test is no longer the subject's.
    LinkEnded
        It has ended.
    """
    with store.read() as session:
        link = queries.find(session, token)
        chart = chart_at(link.address)
        subject_id = session.scalar(sa.select(Subject.public_id).where(Subject.id == link.subject_id))
        test_pk = session.scalar(
            sa.select(ExerciseTest.id)
            .join(Visit, Visit.id == ExerciseTest.visit_id)
            .where(ExerciseTest.public_id == chart.test_id, Visit.subject_id == link.subject_id)
        )
    if isinstance(chart.query, TrendQuery) and subject_id is not None:
        spec = _trend_spec(store, link.subject_id, subject_id, chart, chart.query, display)
        return spec, chart.query.format
    if test_pk is None or chart.chart is None:
        raise NotFound("The test of this link is no longer there.")
    return chart_of(store, test_pk, chart.chart, display), chart.query.format


def _trend_spec(
    store: Store,
    subject_pk: int,
    subject_id: str,
    chart: Chart,
    query: TrendQuery,
    display: Display = NEUTRAL,
) -> dict[str, Any]:
    """The chart of a trend without the events: they are free words on health, and not for whoever has an address."""
    trend = trend_of(
        store,
        subject_pk,
        subject_id,
        chart.quantity or "",
        mode=query.mode,
        basis=query.basis,
        since=query.since,
        until=query.until,
        norm=query.norm,
        include_all=query.include == "all",
        expected=query.expected,
        expected_from=query.expected_from,
    )
    return trend_chart(store, subject_pk, trend.as_dict() | {"events": []}, display)
