"""From rows of the results index to what a cohort shows."""

import json
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from service.analyses.queries import site
from service.analysis.change import SmallestWorthwhileChange, typical_error_for
from service.analysis.cohorts import (
    PER_BODY_MASS,
    QUANTILE_RULE,
    CohortChange,
    Flags,
    Integers,
    Kind,
    Members,
    Observation,
    Placed,
    Results,
    change_between_rounds,
    complete_means,
    in_order,
    member_lines,
    outside_membership,
    place,
    summarise,
)
from service.cohorts import queries
from service.db.transactions import Store
from service.errors import InvalidContent, Place
from service.outlets.cells import csv_text
from service.outlets.display import NEUTRAL, Display
from service.quantities import QUANTITIES, Quantity
from service.reliability.queries import own_typical_errors

#: The same peak in mL/min, which stands beside a result per body mass.
UPTAKE = "vo2_peak_ml_min"


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which results of a cohort are asked for.

    Attributes
    ----------
    quantity : str
    mode, basis, method : str or None
        None where the cohort has only one.
    include_all : bool
        Count submaximal efforts and results with an error finding too.
    """

    quantity: str
    mode: str | None = None
    basis: str | None = None
    method: str | None = None
    include_all: bool = False


@dataclass(frozen=True, slots=True)
class _Read:
    """A cohort with its counted results, and what was chosen."""

    quantity: Quantity
    placed: Placed
    chosen: dict[str, str | None]
    notes: tuple[str, ...]


def registered(key: str) -> Quantity:
    """The quantity of this key.

    Raises
    ------
    InvalidContent
        There is none.
    """
    if key not in QUANTITIES:
        message = "is no quantity; GET /v1/quantities lists them"
        raise InvalidContent(f"quantity {message}.", (Place("query.quantity", message, value=key[:80]),))
    return QUANTITIES[key]


def _read(
    session: Session,
    cohort_pk: int,
    wanted: Wanted,
    *,
    for_change: bool = False,
    between: Collection[str] | None = None,
) -> _Read:
    """The counted results of a cohort; for a change (between two rounds) with what a change is looked at by."""
    quantity = registered(wanted.quantity)
    queries.get(session, cohort_pk)
    columns = queries.member_columns(session, cohort_pk)
    keys = columns.pop("id")
    members = Members(columns.pop("public_id"), **columns)
    everything = _results(session, cohort_pk, quantity, keys, members, for_change=for_change, between=between)
    with_results = tuple(dict.fromkeys(kind.round for kind in everything.kinds if kind.round is not None))
    # A change between two of these asks for no other round, nor for their order.
    alone = between is not None and set(between) <= set(with_results)
    rounds = with_results if alone else in_order(queries.rounds(session, cohort_pk))
    chosen = _chosen(everything, ~outside_membership(members, everything), wanted)
    named = [(name, value) for name, value in chosen.items() if value is not None]
    picked = everything.only(
        everything.where(lambda kind: all(getattr(kind, name) == value for name, value in named))
    )
    placed = place(members, picked, rounds, include_all=wanted.include_all)
    return _Read(quantity, placed, chosen, _reading_notes(placed, everything, picked))


def _results(
    session: Session,
    cohort_pk: int,
    quantity: Quantity,
    keys: Sequence[int],
    members: Members,
    *,
    for_change: bool,
    between: Collection[str] | None,
) -> Results:
    columns = queries.result_columns(
        session,
        cohort_pk,
        quantity.key,
        with_days=members.limited,
        for_change=for_change,
        with_uptake=for_change and quantity.key in PER_BODY_MASS,
        uptake_in=between,
    )
    kinds: dict[str, int] = {}
    kind = np.array([kinds.setdefault(text, len(kinds)) for text in columns["kind"]], dtype=np.int64)
    subjects = dict(zip(keys, members.id, strict=True))

    def find(ids: Sequence[int]) -> list[Observation]:
        found = {row.id: row for row in queries.whole_results(session, ids)}
        return [_observation(row, subjects[row.subject_id]) for row in map(found.__getitem__, ids)]

    return Results(
        kinds=[_kind(text) for text in kinds],
        kind=kind,
        member=_places(keys, columns["subject_id"]),
        value=np.array(columns["value"], dtype=np.float64),
        id=np.array(columns["id"], dtype=np.int64),
        find=find,
        day=np.array([day.toordinal() for day in columns["date"]], dtype=np.int64)
        if members.limited
        else None,
        more={
            # None becomes NaN.
            name: np.array(columns[name], dtype=np.float64)
            for name in ("effective_window_s", "body_mass_kg", "uptake_ml_min")
            if name in columns
        },
    )


def _places(keys: Sequence[int], found: Sequence[int]) -> Integers:
    """Where each of some keys is among all keys."""
    known = np.array(keys, dtype=np.int64)
    order = np.argsort(known)
    places: Integers = order[np.searchsorted(known, np.array(found, dtype=np.int64), sorter=order)]
    return places


def _kind(text: str) -> Kind:
    kind = Kind._make(json.loads(text))
    return kind._replace(has_error=bool(kind.has_error), of_test=bool(kind.of_test))


def _observation(row: Any, member_id: str) -> Observation:
    """A row of `queries.whole_results`."""
    return Observation(
        member_id=member_id,
        round=row.round,
        value=row.value,
        # Tests of one visit share its instant: their own, else the order in which they were made, decides.
        at=((row.started_at or row.occurred_at).timestamp(), row.test_pk or 0),
        date=row.date,
        test_id=row.test_id,
        visit_id=row.visit_id,
        mode=row.mode,
        basis=row.basis,
        method=row.method,
        protocol_family=row.protocol_family,
        effort=row.effort,
        convention=row.convention,
        effective_window_s=row.effective_window_s,
        has_error=row.has_error,
        uptake_ml_min=row.uptake_ml_min,
        body_mass_kg=row.body_mass_kg,
    )


def _chosen(everything: Results, within: Flags, wanted: Wanted) -> dict[str, str | None]:
    """The one mode and basis, and for estimates the one method, that is left by what is asked for.

    Raises
    ------
    InvalidContent
        Several are left, and none is named: results by two modes, bases or ways of estimating do not compare.
    """
    asked = {"mode": wanted.mode, "basis": wanted.basis, "method": wanted.method}
    left = [
        (kind, number)
        for kind, number in everything.numbers(np.flatnonzero(within))
        if kind.round is not None
        and all(value in {None, getattr(kind, name)} for name, value in asked.items())
    ]
    names = ["mode", "basis"]
    if {kind.basis for kind, _ in left} == {"estimated"}:
        names.append("method")
    kinds: Counter[tuple[Any, ...]] = Counter()
    for kind, number in left:
        kinds[tuple(getattr(kind, name) for name in names)] += number
    if len(kinds) > 1:
        told = "; ".join(
            f"{', '.join(str(part) for part in kind)} ({number:,})" for kind, number in kinds.most_common()
        )
        faults = [
            Place(f"query.{name}", f"has to be named, one of: {', '.join(choices)}")
            for place, name in enumerate(names)
            if asked[name] is None and len(choices := sorted({str(kind[place]) for kind in kinds})) > 1
        ]
        raise InvalidContent(
            f"The results of this cohort are of several kinds, which are not put together: {told}. "
            f"Name {' or '.join(fault.location.removeprefix('query.') for fault in faults)}.",
            tuple(faults),
            extra={
                "choices": [dict(zip(names, kind, strict=True)) | {"n": n} for kind, n in kinds.most_common()]
            },
        )
    if kinds:
        (only,) = kinds
        return asked | dict(zip(names, only, strict=True))
    return asked


def _reading_notes(placed: Placed, everything: Results, picked: Results) -> tuple[str, ...]:
    notes = []
    if not len(placed.known):
        notes.append("The cohort has no members.")
    elif not placed.rounds:
        notes.append(
            "No visit of a member names a round, so nothing can be set side by side: give the visits a round."
        )
    elif not len(picked.value):
        notes.append("No member has such a result.")
    if others := len(everything.value) - len(picked.value):
        results = "is 1 result" if others == 1 else f"are {others:,} results"
        notes.append(f"There {results} of another mode, basis or method, no part of this.")
    return (*notes, *placed.notes)


def summary_of(store: Store, cohort_pk: int, cohort_id: str, wanted: Wanted) -> dict[str, Any]:
    """A quantity in each round and arm, as `CohortSummaryOut`.

    Raises
    ------
    InvalidContent
        No such quantity, or several modes, bases or methods and none named.
    """
    with store.read() as session:
        read = _read(session, cohort_pk, wanted)
    notes = [*read.notes, *_left_out_note(read.placed)]
    rows = summarise(read.placed)
    if len(read.placed.rounds) > 1 and any(row.missing for row in rows):
        notes.append(
            "Not every member has every round, so the means of two rounds are of different members: take change from the pairs."
        )
    return {
        **_head(cohort_id, read),
        "quantile_rule": QUANTILE_RULE,
        "rounds": [row.as_dict() for row in rows],
        "left_out": _left_out(read.placed),
        "notes": notes,
    }


def change_of(
    store: Store,
    cohort_pk: int,
    cohort_id: str,
    wanted: Wanted,
    *,
    earlier: str,
    later: str,
    arm: str | None = None,
    reference_arm: str | None = None,
    with_members: bool = False,
) -> dict[str, Any]:
    """Paired change between two rounds, as `CohortChangeOut`.

    Raises
    ------
    InvalidContent
        As for `summary_of`; or a round or an arm that the cohort does not have.
    """
    with store.read() as session:
        read = _read(session, cohort_pk, wanted, for_change=True, between=(earlier, later))
        _check_rounds(read.placed, {"from": earlier, "to": later})
        _check_arms(read.placed, {"arm": arm, "reference_arm": reference_arm})
        change = change_between_rounds(
            read.placed, read.quantity, earlier, later, reference_arm=reference_arm
        )
        if arm is not None and arm == change.reference_arm:
            message = "is the reference arm; name another, or another `reference_arm`"
            raise InvalidContent(f"arm {message}.", (Place("query.arm", message, value=arm),))
        members, error = _members(session, read.quantity, change) if with_members else (None, None)
    notes = [*read.notes, *_left_out_note(read.placed), *change.notes]
    if members is not None:
        notes.append(
            "The true change of a member is about this one person: what two tests and their error say. It is no response to "
            "an intervention, which one person without a comparator cannot show."
        )
    return {
        **_head(cohort_id, read),
        "from_round": earlier,
        "to_round": later,
        "arms": [one.as_dict() for one in change.arms],
        "reference_arm": change.reference_arm,
        **change.comparison(arm).as_dict(),
        "comparisons": [one.as_dict() for one in change.comparisons],
        "percent_reason": change.percent_reason,
        "members": members,
        "typical_error": error,
        "left_out": _left_out(read.placed),
        "notes": notes,
    }


def values_of(store: Store, cohort_pk: int, wanted: Wanted) -> list[dict[str, Any]]:
    """Each member's counted value in each round, by arm and code.

    Returns
    -------
    list of dict
        ``subject_id``, ``code``, ``arm``, and ``values``: by round its value and test, None where there is none.

    Raises
    ------
    InvalidContent
        As for `summary_of`.
    """
    with store.read() as session:
        placed = _read(session, cohort_pk, wanted).placed
        counted = placed.rows[placed.rows >= 0]
        tests = queries.test_ids(session, placed.results.id[counted].tolist())
    known = {
        row: {"value": value, "test_id": test_id}
        for row, value, test_id in zip(
            counted.tolist(), placed.results.value[counted].tolist(), tests, strict=True
        )
    }
    return [
        {
            "subject_id": member.id,
            "code": member.code,
            "arm": member.arm,
            "values": {name: known.get(row) for name, row in zip(placed.rounds, rows, strict=True)},
        }
        for member, rows in zip(placed.members, placed.rows.tolist(), strict=True)
    ]


def _head(cohort_id: str, read: _Read) -> dict[str, Any]:
    return {
        "cohort_id": cohort_id,
        "quantity": read.quantity.key,
        "unit": read.quantity.unit,
        **read.chosen,
    }


def _left_out_note(placed: Placed) -> list[str]:
    number = len(placed.left_out)
    if not number:
        return []
    results = "1 result is" if number == 1 else f"{number:,} results are"
    return [f"{results} not counted; each is listed with its reason."]


def _left_out(placed: Placed) -> list[dict[str, Any]]:
    return [
        {
            "subject_id": one.member.id,
            "code": one.member.code,
            "arm": one.member.arm,
            "round": one.observation.round,
            "date": one.observation.date.isoformat(),
            "test_id": one.observation.test_id,
            "visit_id": one.observation.visit_id,
            "value": one.observation.value,
            "reason": one.reason,
        }
        for one in placed.left_out
    ]


def _members(
    session: Session, quantity: Quantity, change: CohortChange
) -> tuple[list[dict[str, Any]], dict[str, Any] | None]:
    """Every paired member by itself, and the typical error that its change is judged by."""
    chosen = site(session).settings.get("smallest_worthwhile_change", {})
    own = own_typical_errors(session)
    worthwhile = None
    if quantity.key in chosen:
        worthwhile = SmallestWorthwhileChange(
            chosen[quantity.key], "linear", quantity.unit, "the site's value"
        )
    error = typical_error_for(quantity, own.get(quantity.key))
    lines = member_lines(
        change,
        quantity,
        typical_error=error,
        smallest_worthwhile_change=worthwhile,
        absolute_typical_error=typical_error_for(QUANTITIES[UPTAKE], own.get(UPTAKE)),
    )
    return [line.as_dict() for line in lines], None if error is None else error.as_dict()


def _check_rounds(placed: Placed, asked: dict[str, str]) -> None:
    there = ", ".join(placed.rounds)
    message = (
        f"is no round of this cohort; there are: {there}" if there else "is no round: the cohort has none"
    )
    faults = [
        Place(f"query.{name}", message, value=value)
        for name, value in asked.items()
        if value not in placed.rounds
    ]
    if not faults and len(set(asked.values())) < len(asked):
        faults = [Place("query.to", "has to be another round than `from`", value=asked["to"])]
    if faults:
        one = faults[0]
        raise InvalidContent(f"{one.location.removeprefix('query.')} {one.message}.", tuple(faults))


def _check_arms(placed: Placed, asked: dict[str, str | None]) -> None:
    named = [arm for arm in placed.arms if arm is not None]
    message = f"is no arm of this cohort; there are: {', '.join(named) or 'none'}"
    faults = [
        Place(f"query.{name}", message, value=value)
        for name, value in asked.items()
        if value is not None and value not in named
    ]
    if faults:
        one = faults[0]
        raise InvalidContent(f"{one.location.removeprefix('query.')} {message}.", tuple(faults))


# --- flat rows -------------------------------------------------------------------------------------------------

_HEAD = ("cohort_id", "quantity", "unit", "mode", "basis", "method")
SUMMARY_COLUMNS = (
    *_HEAD, "round", "arm", "n", "missing", "mean", "sd", "ci_low", "ci_high", "median", "q1", "q3", "reason",
)  # fmt: skip
CHANGE_COLUMNS = (
    *_HEAD, "from_round", "to_round", "what", "arm", "reference_arm", "n", "missing", "value", "sd", "ci_low", "ci_high", "df",
    "percent", "percent_ci_low", "percent_ci_high", "reason",
)  # fmt: skip
MEMBER_COLUMNS = (
    *_HEAD, "from_round", "to_round", "subject_id", "code", "arm", "from_test_id", "from_date", "from_value", "to_test_id",
    "to_date", "to_value", "change", "change_beyond_reference", "true_change_ci_low", "true_change_ci_high",
    "true_change_verdict", "chance_improved", "chance_declined", "reason",
)  # fmt: skip


def summary_csv(summary: dict[str, Any]) -> str:
    """One row a round and arm (RFC 4180)."""
    return csv_text(SUMMARY_COLUMNS, [summary | row for row in summary["rounds"]])


def change_csv(change: dict[str, Any]) -> str:
    """One row an estimate; one row a member where the members were asked for, missing ones with the reason."""
    if change["members"] is not None:
        return csv_text(MEMBER_COLUMNS, [change | row for row in _member_rows(change)])
    rows = [
        arm | {"what": "change", "value": arm["mean"], "missing": len(arm["missing"]), "reference_arm": None}
        for arm in change["arms"]
    ]
    for comparison in change["comparisons"]:
        rows += [
            {"n": None, "missing": None, **comparison[what], "what": what}
            for what in ("difference", "baseline_adjusted", "individual_response_sd")
        ]
    return csv_text(CHANGE_COLUMNS, [change | row for row in rows])


def _member_rows(change: dict[str, Any]) -> list[dict[str, Any]]:
    rows = []
    for line in change["members"]:
        true_change = line["true_change"]
        rows.append(
            line
            | {f"true_change_{name}": true_change[name] for name in ("ci_low", "ci_high", "verdict")}
            | {name: true_change[name] for name in ("chance_improved", "chance_declined")}
        )
    for arm in change["arms"]:
        rows += [{"arm": arm["arm"], **missing} for missing in arm["missing"]]
    return rows


# --- the chart -------------------------------------------------------------------------------------------------


def chart_of(
    store: Store,
    cohort_pk: int,
    wanted: Wanted,
    *,
    name: str,
    earlier: str | None = None,
    later: str | None = None,
    display: Display = NEUTRAL,
) -> dict[str, Any]:
    """Vega-Lite specification: each member's line and each arm's mean by round, and paired change from the first round.

    Parameters
    ----------
    store : Store
    cohort_pk : int
    wanted : Wanted
    name : str
        Of the cohort.
    earlier, later : str, optional
        Draw the rounds from this one to that one only.
    display : Display
        In whose unit.

    Raises
    ------
    InvalidContent
        As for `change_of`.
    """
    from service.charts.cohort import cohort_spec

    with store.read() as session:
        read = _read(session, cohort_pk, wanted, for_change=True)
    rounds = list(read.placed.rounds)
    given = {label: value for label, value in (("from", earlier), ("to", later)) if value is not None}
    _check_rounds(read.placed, given)
    first = rounds.index(earlier) if earlier is not None else 0
    last = rounds.index(later) if later is not None else len(rounds) - 1
    if rounds and first > last:
        message = "comes before `from`; the rounds in their order are: " + ", ".join(rounds)
        raise InvalidContent(f"to {message}.", (Place("query.to", message, value=later),))
    drawn = rounds[first : last + 1]
    changes = [
        {"round": name, **{key: arm.as_dict()[key] for key in ("arm", "n", "mean", "ci_low", "ci_high")}}
        for name in drawn[1:]
        for arm in change_between_rounds(read.placed, read.quantity, drawn[0], name).arms
    ]
    document = {
        "name": name,
        "quantity": read.quantity.key,
        "mode": read.chosen["mode"],
        "basis": read.chosen["basis"],
        "rounds": drawn,
        "arms": [
            {
                "arm": arm,
                "lines": _lines(read.placed, arm, drawn),
                "means": [row.as_dict() for row in complete_means(read.placed, arm, drawn)],
            }
            for arm in read.placed.arms
        ],
        "changes": changes,
        "left_out": len(read.placed.left_out),
        "notes": list(read.notes),
    }
    return cohort_spec(display.document(document), quantity=display.of(read.quantity.key))


def _lines(placed: Placed, arm: str | None, rounds: Sequence[str]) -> list[dict[str, Any]]:
    """Each member of an arm with its counted values by round."""
    value = placed.results.value.tolist()
    return [
        {
            "code": member.code,
            "values": {name: value[row] for name, row in zip(rounds, rows, strict=True) if row >= 0},
        }
        for member, rows in zip(placed.of_arm(arm), placed.rows_of_arm(arm, rounds).tolist(), strict=True)
    ]
