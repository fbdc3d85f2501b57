"""From repeated tests to the site's own error of measurement."""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy.orm import Session

from service.analysis.change import (
    PAIRS_FOR_OWN_TYPICAL_ERROR,
    OwnTypicalError,
    TrendPoint,
    differences_between,
    typical_error_for,
)
from service.analysis.reliability import Reliability, RepeatPair, reliability_of
from service.db.transactions import Transaction, now
from service.errors import Conflict, InvalidContent, NotFound, Place
from service.quantities import QUANTITIES, Quantity
from service.reliability import queries
from service.reliability.schemas import (
    OwnTypicalErrorOut,
    PublishedTypicalErrorOut,
    ReliabilityOut,
    TypicalErrorOut,
)
from service.site import queries as site_settings
from service.trends.queries import circumstances

_SETTING = "typical_errors"


@dataclass(frozen=True, slots=True)
class Asked:
    """Which pairs are asked for.

    Attributes
    ----------
    quantity : str
    mode, basis : str or None
        None where there is but one.
    within_days : int
        Days between the two tests, at most.
    cohort_id : str or None
        None asks for the whole record.
    include_all : bool
        Whether pairs count that a change would leave out.
    where : str
        What the places of errors begin with.
    """

    quantity: str
    mode: str | None
    basis: str | None
    within_days: int
    cohort_id: str | None = None
    include_all: bool = False
    where: str = "query"


@dataclass(frozen=True, slots=True)
class _Pair:
    earlier: Any
    later: Any
    order: int
    shares: bool
    reason: str | None

    @property
    def days(self) -> int:
        days: int = (self.later.Result.date - self.earlier.Result.date).days
        return days

    def as_repeat(self) -> RepeatPair:
        return RepeatPair(
            first=self.earlier.Result.value,
            second=self.later.Result.value,
            subject=self.earlier.subject_id,
            first_ever=self.order == 1,
            order=self.order,
            shares=self.shares,
        )


@dataclass(frozen=True, slots=True)
class Found:
    """The pairs, and what they say.

    Attributes
    ----------
    quantity : Quantity
    mode, basis : str or None
        Those of the pairs; None where there is no result.
    reliability : Reliability
        Of the counted pairs.
    answer : ReliabilityOut
    """

    quantity: Quantity
    mode: str | None
    basis: str | None
    reliability: Reliability
    answer: ReliabilityOut


def find_reliability(session: Session, asked: Asked) -> Found:
    """Pairs of consecutive complete tests of one subject, mode and protocol, and the error they show.

    Raises
    ------
    InvalidContent
        The quantity is none of tests, or several modes or bases have results and none is named.
    NotFound
        There is no such cohort.
    """
    quantity = QUANTITIES.get(asked.quantity)
    if quantity is None or "result" not in quantity.kinds:
        message = "is no quantity of the results of tests; GET /v1/quantities lists them"
        raise InvalidContent(
            f"quantity {message}.", (Place(f"{asked.where}.quantity", message, value=asked.quantity[:80]),)
        )
    cohort = None if asked.cohort_id is None else queries.cohort_pk(session, asked.cohort_id)
    mode, basis = _one_kind(queries.kinds(session, quantity.key, cohort=cohort), asked)
    pairs: list[_Pair] = []
    if mode is not None and basis is not None:
        rows = queries.results(session, quantity.key, cohort=cohort, mode=mode, basis=basis)
        pairs = _pairs(rows, queries.order_of_tests(session, mode), asked)
    counted = [pair for pair in pairs if pair.reason is None]
    scale = _scale(quantity)
    found = reliability_of([pair.as_repeat() for pair in counted], scale=scale)
    outlying = {id(pair): flag for pair, flag in zip(counted, found.outlying, strict=True)}
    shown = [_shown(pair, outlying.get(id(pair), False)) for pair in pairs]
    answer = ReliabilityOut.model_validate(
        {
            **found.as_dict(),
            "quantity": quantity.key,
            "unit": quantity.unit,
            "mode": mode or asked.mode,
            "basis": basis or asked.basis,
            "within_days": asked.within_days,
            "cohort_id": asked.cohort_id,
            "notes": [*found.notes, *_notes(pairs, shown)],
            "adoptable": _refusal(quantity, found) is None,
            "pairs": shown,
        }
    )
    return Found(quantity, mode, basis, found, answer)


def _scale(quantity: Quantity) -> Literal["log", "linear"]:
    return "linear" if quantity.typical_error is None else quantity.typical_error.scale


def _one_kind(kinds: Sequence[tuple[str, str]], asked: Asked) -> tuple[str | None, str | None]:
    """The one mode and basis; a mixture is refused."""
    left = [
        (mode, basis) for mode, basis in kinds if asked.mode in {None, mode} and asked.basis in {None, basis}
    ]
    for name, place in (("mode", 0), ("basis", 1)):
        several = sorted({one[place] for one in left})
        if len(several) > 1:
            message = f"has to be named, since there are results of {' and '.join(several)}"
            raise InvalidContent(f"{name} {message}.", (Place(f"{asked.where}.{name}", message),))
    return left[0] if left else (None, None)


def _pairs(rows: Any, order: Mapping[int, int], asked: Asked) -> list[_Pair]:
    pairs = []
    for _, group in itertools.groupby(rows, key=lambda row: (row.subject_id, row.ExerciseTest.protocol_key)):
        before_counted = False
        for earlier, later in itertools.pairwise(group):
            if (later.Result.date - earlier.Result.date).days > asked.within_days:
                before_counted = False
                continue
            reason = None if asked.include_all else _left_out(earlier.Result) or _left_out(later.Result)
            pairs.append(
                _Pair(
                    earlier,
                    later,
                    order=order.get(earlier.ExerciseTest.id, 1),
                    shares=before_counted,
                    reason=reason,
                )
            )
            before_counted = reason is None
    return pairs


def _left_out(result: Any) -> str | None:
    if result.has_error:
        return f"An error finding stands on the result of {result.date.isoformat()}."
    if result.effort == "submaximal":
        return f"The effort of {result.date.isoformat()} was submaximal."
    return None


def _point(row: Any) -> TrendPoint:
    result = row.Result
    return TrendPoint(
        test_id=row.ExerciseTest.public_id,
        visit_id=row.Visit.public_id,
        date=result.date.isoformat(),
        instant_s=result.occurred_at.timestamp(),
        value=result.value,
        mode=result.mode,
        basis=result.basis,
        protocol_family=result.protocol_family,
        effort=result.effort,
        convention=result.convention,
        effective_window_s=result.effective_window_s,
        comparability=circumstances(row.Visit, row.ExerciseTest),
    )


def _shown(pair: _Pair, outlying: bool) -> dict[str, Any]:
    first, second = pair.earlier.Result, pair.later.Result
    difference = second.value - first.value
    return {
        "subject_id": pair.earlier.subject_id,
        "first_test_id": pair.earlier.ExerciseTest.public_id,
        "second_test_id": pair.later.ExerciseTest.public_id,
        "first_date": first.date,
        "second_date": second.date,
        "days": pair.days,
        "order": pair.order,
        "mode": first.mode,
        "basis": first.basis,
        "protocol_id": pair.earlier.ExerciseTest.protocol_key,
        "first_value": first.value,
        "second_value": second.value,
        "difference": difference,
        "percent": 100 * difference / first.value if first.value > 0 else None,
        "counted": pair.reason is None,
        "reason": pair.reason,
        "flags": {
            "first_ever": pair.order == 1,
            "outlying": outlying,
            "shares_test": pair.shares,
            "differences": list(differences_between(_point(pair.earlier), _point(pair.later))),
        },
    }


def _notes(pairs: Sequence[_Pair], shown: Sequence[Mapping[str, Any]]) -> list[str]:
    notes = []
    if left := sum(pair.reason is not None for pair in pairs):
        notes.append(
            f"{left} of {len(pairs)} pairs are not counted, each with its reason; include=all counts them."
        )
    if unlike := sum(bool(one["flags"]["differences"]) for one in shown if one["counted"]):
        notes.append(
            f"At {unlike} of the counted pairs something was not the same at both tests; their differences hold that too."
        )
    if any(pair.earlier.ExerciseTest.protocol_key is None for pair in pairs):
        notes.append("Where no protocol is recorded, tests without one are taken as of one protocol.")
    return notes


# --- the site's own typical error ------------------------------------------------------------------------------


def _refusal(quantity: Quantity, found: Reliability) -> str | None:
    """Why the site cannot take this as its own typical error."""
    if found.n_pairs < PAIRS_FOR_OWN_TYPICAL_ERROR:
        return f"An own typical error needs at least {PAIRS_FOR_OWN_TYPICAL_ERROR} repeat pairs; there are {found.n_pairs}."
    estimate = found.cv_percent if _scale(quantity) == "log" else found.typical_error
    if estimate.value is None:
        return estimate.reason
    if not estimate.value > 0:
        return "All differences are equal, which repeated measurements never are; look for copied values."
    if _scale(quantity) == "log" and estimate.value > 100:
        return "The coefficient of variation is above 100 %; look for wrong values among the pairs."
    return None


def adopt(transaction: Transaction, asked: Asked) -> TypicalErrorOut:
    """Take what the pairs show as the site's own typical error.

    Raises
    ------
    Conflict
        Fewer than 15 pairs, or none that could be true.
    """
    session = transaction.session
    found = find_reliability(session, asked)
    reason = _refusal(found.quantity, found.reliability)
    if reason is not None:
        raise Conflict(f"{reason} The published default stays.", extra={"n_pairs": found.reliability.n_pairs})
    scale = _scale(found.quantity)
    value = (found.reliability.cv_percent if scale == "log" else found.reliability.typical_error).value
    days = [day for pair in found.answer.pairs if pair.counted for day in (pair.first_date, pair.second_date)]
    source = (
        f"own: {found.reliability.n_pairs} pairs of {found.reliability.n_subjects} people, {found.mode}, {found.basis}, "
        f"within {asked.within_days} days, {min(days)} to {max(days)}"
        + (", all counted" if asked.include_all else "")
        + ("" if asked.cohort_id is None else f", cohort {asked.cohort_id}")
        + f"; taken {now().date()}"
    )
    own = {
        "value": value,
        "scale": scale,
        "df": found.reliability.df_effective,
        "n_pairs": found.reliability.n_pairs,
        "source": source,
    }
    _store(transaction, found.quantity.key, own)
    return told(found.quantity, OwnTypicalError(**own))  # type: ignore[arg-type] # the keys are its fields


def give_up(transaction: Transaction, quantity: str) -> None:
    """Go back to the published default.

    Raises
    ------
    NotFound
        The site has none of its own.
    """
    if quantity not in queries.own_typical_errors(transaction.session):
        raise NotFound(f"The site has no typical error of its own for {quantity[:80]!r}.")
    _store(transaction, quantity, None)


def _store(transaction: Transaction, quantity: str, own: dict[str, Any] | None) -> None:
    session = transaction.session
    stored = site_settings.out(session).model_dump(mode="json")[_SETTING]
    kept = {key: one for key, one in stored.items() if key != quantity}
    after = kept if own is None else {**kept, quantity: own}
    site_settings.change(session, {_SETTING: after}, expected=None)
    transaction.changed(
        "site",
        "site",
        action="changed",
        payload={
            "before": {_SETTING: {quantity: stored.get(quantity)}},
            "after": {_SETTING: {quantity: own}},
        },
    )


def told(quantity: Quantity, own: OwnTypicalError | None) -> TypicalErrorOut:
    """What is used for a quantity, and where it comes from."""
    used = typical_error_for(quantity, own)
    published = quantity.typical_error
    is_own = own is not None and used is not None and used.df is not None
    return TypicalErrorOut(
        quantity=quantity.key,
        unit=quantity.unit if used is None else used.unit,
        used=None if used is None else "own" if is_own else "published",
        own=None
        if own is None
        else OwnTypicalErrorOut(
            value=own.value, scale=own.scale, df=own.df, n_pairs=own.n_pairs, source=own.source
        ),
        published=None
        if published is None
        else PublishedTypicalErrorOut(value=published.value, scale=published.scale, source=published.source),
    )


def all_typical_errors(session: Session) -> list[TypicalErrorOut]:
    """Of every quantity of results that has one."""
    own = queries.own_typical_errors(session)
    return [
        told(quantity, own.get(quantity.key))
        for quantity in QUANTITIES.values()
        if quantity.typical_error is not None or quantity.key in own
    ]
