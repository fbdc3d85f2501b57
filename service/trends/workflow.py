"""From rows of the results index to a judged trend."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Literal

from sqlalchemy.orm import Session

from service.analyses.queries import site
from service.analyses.workflow import age_on
from service.analysis.ageing import AGEING_MODELS, ageing_models_of
from service.analysis.change import (
    Change,
    OwnTypicalError,
    SmallestWorthwhileChange,
    TrendPoint,
    TypicalErrorUsed,
    change_between,
    sd_from_quartiles,
    smallest_worthwhile_change_from_quartiles,
    typical_error_for,
)
from service.analysis.gas import judge_calibrations
from service.analysis.norms import Rank, equations_of, predict_one, rank
from service.analysis.planning import (
    CHANCE,
    MOST_TESTS,
    SOURCE,
    USUAL_NUMBERS,
    detectable_change,
    needed_tests,
)
from service.analysis.regression_to_mean import Spread
from service.analysis.series import Person
from service.analysis.trends import AgeingAsked, Reference, Trend, TrendSeries, build_trend, why_not_counted
from service.controls.workflow import shift_warnings, tested_on
from service.db.transactions import Store
from service.errors import InvalidContent, Place
from service.events.queries import of_trend
from service.norms import queries as norms
from service.outlets.cells import csv_text
from service.outlets.display import NEUTRAL, Display
from service.quantities import QUANTITIES, Quantity
from service.reference.tables import NormTable
from service.reliability.queries import own_typical_errors
from service.subjects.queries import next_tests_due
from service.trends import queries
from service.trends.schemas import TrendRow

#: The one quantity that reference tables are about.
RANKED = "vo2_peak_ml_kg_min"
#: Quantities that are uptake per body mass and are shown beside uptake itself.
PER_BODY_MASS = {"vo2_peak_ml_kg_min", "mets_peak"}
#: The uptake itself.
UPTAKE = "vo2_peak_ml_min"


def trend_of(
    store: Store,
    subject_pk: int,
    subject_id: str,
    quantity: str,
    *,
    mode: str | None = None,
    basis: str | None = None,
    since: date | None = None,
    until: date | None = None,
    norm: str | None = None,
    include_all: bool = False,
    expected: str | None = None,
    expected_from: Literal["first", "best"] = "first",
) -> Trend:
    """The trend of one quantity of one subject, each point ranked at the age of its test.

    Parameters
    ----------
    expected : str, optional
        Id of a model of ageing; none by default.
    expected_from : {"first", "best"}
        The counted test that its line starts from.

    Raises
    ------
    NotFound
        `norm` names no table.
    InvalidContent
        `expected` names no model of this quantity.
    """
    _check_model(quantity, expected)
    with store.read() as session:
        known = queries.subject(session, subject_pk)
        person: dict[str, Any] = {
            "birth_date": known.birth_date,
            "birth_year": known.birth_year,
            "sex": known.sex,
        }
        rows = queries.points(session, subject_pk, quantity, mode=mode, basis=basis, since=since, until=until)
        absolute = queries.absolute_uptake(session, subject_pk) if quantity in PER_BODY_MASS else {}
        modes = {row.Result.mode for row in rows}
        tables: dict[str | None, NormTable | None] = (
            norms.defaults(session, modes) if norm is None else dict.fromkeys(modes, norms.get(session, norm))
        )
        worthwhile_set = site(session).settings.get("smallest_worthwhile_change", {})
        own = own_typical_errors(session)
        points = [
            _point(row, person, absolute, tables[row.Result.mode], quantity, own.get(quantity))
            for row in rows
        ]
        points = _with_shifts(session, rows, _with_calibrations(session, rows, points))
        due = next_tests_due(session, [known])[subject_pk]
        events = (
            of_trend(
                session,
                subject_pk,
                since=since or rows[0].Result.date,
                until=until,
                devices=_devices(rows),
            )
            if rows
            else []
        )
    registered = QUANTITIES[quantity]
    trend = build_trend(
        registered,
        points,
        typical_error=typical_error_for(registered, own.get(quantity)),
        smallest_worthwhile_change=_worthwhile(points, person["sex"], tables, quantity, worthwhile_set),
        absolute_typical_error=typical_error_for(QUANTITIES[UPTAKE], own.get(UPTAKE)),
        reference=_reference(person["sex"], tables) if quantity == RANKED else None,
        ageing=None
        if expected is None
        else AgeingAsked(AGEING_MODELS[expected], person["sex"], expected_from),
        include_all=include_all,
        subject_id=subject_id,
    )
    return replace(trend, events=tuple(events), next_test_due=due.model_dump(mode="json"))


@dataclass(frozen=True, slots=True)
class ResultOfTwo:
    """One quantity in two tests of a person.

    Attributes
    ----------
    quantity : Quantity
    first, second : TrendPoint or None
        None where a test does not have it.
    change : Change or None
        From the first to the second, as a trend judges it; None where one is missing.
    typical_error : TypicalErrorUsed or None
    """

    quantity: Quantity
    first: TrendPoint | None
    second: TrendPoint | None
    change: Change | None
    typical_error: TypicalErrorUsed | None


def results_of_two(store: Store, subject_pk: int, first_pk: int, second_pk: int) -> list[ResultOfTwo]:
    """What became of each result from one test to a later one of the same person, judged as in a trend.

    A result that a trend would leave out of change leaves the verdict unclear, and says why.
    """
    with store.read() as session:
        known = queries.subject(session, subject_pk)
        person = {name: getattr(known, name) for name in ("birth_date", "birth_year", "sex")}
        rows = queries.results_of(session, [first_pk, second_pk])
        tables = norms.defaults(session, {row.Result.mode for row in rows})
        absolute = queries.absolute_uptake(session, subject_pk)
        worthwhile_set = site(session).settings.get("smallest_worthwhile_change", {})
        own = own_typical_errors(session)
        made = [
            _point(
                row,
                person,
                absolute if row.Result.quantity in PER_BODY_MASS else {},
                tables[row.Result.mode],
                row.Result.quantity,
                own.get(row.Result.quantity),
            )
            for row in rows
        ]
        points = _with_shifts(session, rows, _with_calibrations(session, rows, made))
    found: dict[str, dict[int, TrendPoint]] = {}
    for row, point in zip(rows, points, strict=True):
        found.setdefault(row.Result.quantity, {})[row.Result.test_id] = point
    answer = []
    for key in (key for key in QUANTITIES if key in found):
        first, second = found[key].get(first_pk), found[key].get(second_pk)
        error = typical_error_for(QUANTITIES[key], own.get(key))
        change = None
        if first is not None and second is not None:
            worthwhile = _worthwhile([first, second], person["sex"], tables, key, worthwhile_set)
            change = change_between(
                QUANTITIES[key],
                first,
                second,
                typical_error=error,
                smallest_worthwhile_change=worthwhile.get(second.mode),
                absolute_typical_error=typical_error_for(QUANTITIES[UPTAKE], own.get(UPTAKE)),
            )
            why = [
                f"The {which} test: {reason}"
                for which, point in (("first", first), ("second", second))
                for reason in why_not_counted(point)
            ]
            if why:
                change = replace(change, verdict="unclear", notes=(*why, *change.notes))
        answer.append(ResultOfTwo(QUANTITIES[key], first, second, change, error))
    return answer


def _check_model(quantity: str, expected: str | None) -> None:
    """Refuse a model of ageing that is none of this quantity."""
    known = [model.id for model in ageing_models_of(quantity)]
    if expected is None or expected in known:
        return
    message = f"names no model of ageing for {quantity}; there is " + (", ".join(known) if known else "none")
    raise InvalidContent(f"expected {message}.", (Place("query.expected", message, value=expected),))


def _devices(rows: Sequence[Any]) -> frozenset[str] | None:
    """Analysers and ergometers of the tests; None where one does not say, so that any device may have been used."""
    found: set[str] = set()
    for row in rows:
        test = row.ExerciseTest
        if test is None or test.analyser is None or test.ergometer is None:
            return None
        found |= {test.analyser, test.ergometer}
    return frozenset(found)


def _with_calibrations(
    session: Session, rows: Sequence[Any], points: Sequence[TrendPoint]
) -> list[TrendPoint]:
    """The points, each with whether its calibration was good; None where none was recorded."""
    readings = queries.calibrations(session, {row.Result.test_id for row in rows} - {None})
    return [
        point
        if row.Result.test_id not in readings
        else replace(
            point,
            comparability={
                **point.comparability,
                "calibration_faults": _calibration_faults(readings[row.Result.test_id]),
            },
        )
        for point, row in zip(points, rows, strict=True)
    ]


def _calibration_faults(readings: Sequence[dict[str, Any]]) -> frozenset[str]:
    report = judge_calibrations(readings)
    off = any(not one.within for one in report.checks if one.when == "before")
    drifted = any(not one.within for one in report.drifts)
    return frozenset([*(["off"] if off else []), *(["drifted"] if drifted else [])])


def _reference(sex: Any, tables: dict[str | None, NormTable | None]) -> Reference:
    """What the tables say of a value at another age, and of the spread of a band."""

    def percentile_at(point: TrendPoint, age_years: float) -> float | None:
        table = tables.get(point.mode)
        if table is None:
            return None
        found = rank(
            table,
            sex=sex,
            age_years=age_years,
            value_ml_kg_min=point.value,
            rer_required=False,
            mode=point.mode,
        )
        return found.percentile

    def spread_of(point: TrendPoint) -> Spread | None:
        table = tables.get(point.mode)
        if table is None or point.age_band is None or point.age_years is None:
            return None
        band = table.band(sex, point.age_years)
        if band is None:
            return None
        source = f"{table.id}, {sex}, {band.label} years"
        if band.mean_ml_kg_min is not None and band.sd_ml_kg_min is not None:
            return Spread(band.mean_ml_kg_min, band.sd_ml_kg_min, source)
        quartiles, median = band.quartiles(), band.median(point.age_years)
        return (
            None
            if quartiles is None or median is None
            else Spread(median, sd_from_quartiles(*quartiles), source)
        )

    return Reference(percentile_at, spread_of)


def _with_shifts(session: Session, rows: Sequence[Any], points: Sequence[TrendPoint]) -> list[TrendPoint]:
    """The points, each with what control charts of its devices say of its day."""
    tests = [
        tested_on(None, None, row.Result.date)
        if row.ExerciseTest is None
        else tested_on(row.ExerciseTest.analyser, row.ExerciseTest.ergometer, row.Result.date)
        for row in rows
    ]
    warnings = shift_warnings(session, tests) if tests else []
    if not any(warnings):
        return list(points)
    return [
        replace(
            point,
            notes=(*point.notes, *(one.message for one in found)),
            comparability={**point.comparability, "after_shift": bool(found) if test.devices else None},
        )
        for point, test, found in zip(points, tests, warnings, strict=True)
    ]


def _point(
    row: Any,
    person: dict[str, Any],
    absolute: dict[int, float],
    table: NormTable | None,
    quantity: str,
    own: OwnTypicalError | None,
) -> TrendPoint:
    result, visit, test = row.Result, row.Visit, row.ExerciseTest
    ages = age_on(person, {"age_years": visit.age_years}, result.date)
    standing = (
        _standing(result, person["sex"], ages, table, own)
        if quantity == RANKED and table is not None
        else None
    )
    notes = _standing_notes(result.mode, standing) if quantity == RANKED else ()
    return TrendPoint(
        test_id=None if test is None else test.public_id,
        visit_id=visit.public_id,
        date=result.date.isoformat(),
        instant_s=result.occurred_at.timestamp(),
        age_years=ages["age_years"],
        value=result.value,
        value_absolute=absolute.get(result.test_id),
        body_mass_kg=visit.body_mass_kg,
        mode=result.mode,
        basis=result.basis,
        protocol_family=result.protocol_family,
        method=result.method,
        effort=result.effort,
        convention=result.convention,
        effective_window_s=result.effective_window_s,
        has_error=result.has_error,
        height_cm=visit.height_cm,
        age_band=standing.age_band if standing else None,
        percentile=standing.percentile if standing else None,
        percentile_low=standing.percentile_low if standing else None,
        percentile_high=standing.percentile_high if standing else None,
        norm_id=table.id if quantity == RANKED and table is not None else None,
        percent_of_median=standing.percent_of_median if standing else None,
        percent_of_predicted=_percent_of_predicted(result, visit, person["sex"], ages)
        if quantity == RANKED
        else None,
        comparability=queries.circumstances(visit, test),
        notes=notes,
    )


def _standing_notes(mode: str | None, standing: Rank | None) -> tuple[str, ...]:
    """Why a point has no percentile, and what must be said beside its standing."""
    if standing is None:
        return (f"No reference table is set for the mode {mode}, so there is no percentile.",)
    return (*([standing.reason] if standing.reason is not None else []), *standing.notes)


def typical_error_fraction(error: TypicalErrorUsed | None, value: float) -> float | None:
    """A typical error as a fraction of the value."""
    if error is None:
        return None
    if error.scale == "log":
        return error.value / 100
    return error.value / value if value > 0 else None


def _standing(
    result: Any, sex: Any, ages: dict[str, Any], table: NormTable, own: OwnTypicalError | None
) -> Rank:
    return rank(
        table,
        sex=sex,
        age_years=ages["age_years"],
        age_low_years=ages["age_low_years"],
        age_high_years=ages["age_high_years"],
        value_ml_kg_min=result.value,
        rer=result.rer,
        typical_error_fraction=typical_error_fraction(
            typical_error_for(QUANTITIES[RANKED], own), result.value
        ),
        mode=result.mode,
        estimated=result.basis == "estimated",
    )


def _percent_of_predicted(result: Any, visit: Any, sex: Any, ages: dict[str, Any]) -> float | None:
    """By the first equation that applies to this mode, age and sex and gives uptake per body mass."""
    person = Person(sex=sex, **ages, body_mass_kg=visit.body_mass_kg, height_cm=visit.height_cm)
    for method in equations_of(result.mode):
        if method.quantity == RANKED:
            found = predict_one(method, person, result.mode, result.value)
            if found.applies and found.percent_of_predicted is not None:
                return found.percent_of_predicted
    return None


def _worthwhile(
    points: list[TrendPoint],
    sex: Any,
    tables: dict[str | None, NormTable | None],
    quantity: str,
    chosen: dict[str, float],
) -> dict[str | None, SmallestWorthwhileChange]:
    """The smallest worthwhile change by mode: the site's value, else from the band of the latest test."""
    registered = QUANTITIES[quantity]
    answer: dict[str | None, SmallestWorthwhileChange] = {}
    for point in points:
        table = tables.get(point.mode)
        if quantity in chosen:
            answer[point.mode] = SmallestWorthwhileChange(
                chosen[quantity], "linear", registered.unit, "the site's value"
            )
        elif quantity == RANKED and table is not None and sex is not None and point.age_years is not None:
            band = table.band(sex, point.age_years)
            quartiles = band.quartiles() if band is not None else None
            if band is not None and quartiles is not None:
                answer[point.mode] = smallest_worthwhile_change_from_quartiles(
                    registered,
                    *quartiles,
                    source=f"0.2 between-subject SD of {table.id}, {sex}, {band.label} years",
                )
    return answer


def trend_chart(
    store: Store, subject_pk: int, trend: dict[str, Any], display: Display = NEUTRAL
) -> dict[str, Any]:
    """The specification of a trend's chart in the unit of display, with the reference table of its first series."""
    from service.charts.trend import trend_spec

    key = trend["quantity"]
    return trend_spec(
        display.document(trend), quantity=display.of(key), norm_bands=_norm_bands(store, subject_pk, trend)
    )


def _norm_bands(store: Store, subject_pk: int, trend: dict[str, Any]) -> dict[str, Any] | None:
    """The bands that the person passed through between the first and the last test of the main series."""
    points = trend["series"][0]["points"] if trend["series"] else []
    norm_ids = {point["norm_id"] for point in points} - {None}
    if trend["quantity"] != RANKED or len(norm_ids) != 1:
        return None
    with store.read() as session:
        table = norms.get(session, norm_ids.pop())
        person = queries.subject(session, subject_pk)
    if person.sex is None:
        return None
    bands: list[dict[str, Any]] = []
    for point in points:
        band = None if point["age_years"] is None else table.band(person.sex, point["age_years"])
        if band is None or not (band.percentiles or band.median(point["age_years"])):
            continue
        if not bands or bands[-1]["label"] != band.label:
            lines: list[tuple[float, float | None]] = list(
                zip(band.percentiles, band.values_ml_kg_min, strict=True)
            ) or [(50, band.median(point["age_years"]))]
            bands.append(
                {
                    "label": band.label,
                    "from": point["date"],
                    "to": point["date"],
                    "percentiles": [list(line) for line in lines],
                }
            )
        bands[-1]["to"] = point["date"]
    for earlier, later in itertools.pairwise(bands):
        later["from"] = earlier["to"] = _band_change(person.birth_date, earlier["to"], later["from"])
    return {"title": table.name, "bands": bands} if bands else None


def _band_change(birth: date | None, earlier: str, later: str) -> str:
    """The decade birthday between two tests; the later test where no birth date is kept."""
    if birth is None:
        return later
    for year in range(date.fromisoformat(earlier).year, date.fromisoformat(later).year + 1):
        if (year - birth.year) % 10 == 0:
            birthday = date(year, birth.month, min(birth.day, 28))
            if earlier <= birthday.isoformat() <= later:
                return birthday.isoformat()
    return later


#: Columns of the flat rows, in their order.
FLAT_COLUMNS = tuple(TrendRow.model_fields)


#: What of a change a flat row has.
_FLAT_CHANGE = ("absolute", "percent", "ci_low", "ci_high", "chance_improved", "chance_declined", "verdict")


def flat_rows(trend: dict[str, Any]) -> list[dict[str, Any]]:
    """One row a point, for a spreadsheet or a dashboard: the fields of `TrendRow`."""
    rows = []
    for series in trend["series"]:
        for point in series["points"]:
            row = {**{name: trend[name] for name in ("subject_id", "quantity", "unit")}, **point}
            row |= {name: series[name] for name in ("mode", "basis", "protocol_family")}
            for change in ("change_from_first", "change_from_previous"):
                parts = point[change] or {}
                row |= {f"{change}_{name}": parts.get(name) for name in _FLAT_CHANGE}
            for name in ("first", "best", "latest"):
                row[f"is_{name}"] = _is_that(point, series, name)
            row["notes"] = " ".join(
                [*point["notes"], *(point["change_from_previous"] or {"notes": ()})["notes"]]
            )
            rows.append({name: row[name] for name in FLAT_COLUMNS})
    return rows


def _is_that(point: dict[str, Any], series: dict[str, Any], name: str) -> bool:
    """Whether a point is the first, best or latest that counts."""
    if not point["counted"] or series[name] is None:
        return False
    wanted = (series[f"{name}_test_id"], series[f"{name}_date"], series[name])
    return (point["test_id"], point["date"], point["value"]) == wanted


def planned(trend: Trend, *, change: float | None, chance: float | None) -> dict[str, Any]:
    """What further tests could show of each series: `PlanningOut`.

    Parameters
    ----------
    trend : Trend
    change : float, optional
        The change that is to be seen, in the unit of the quantity; default: the smallest worthwhile one.
    chance : float, optional
        Of seeing it, 0.5 up to, not including, 1; default 0.8.
    """
    notes = [
        "Every figure is about one person and the error of measurement alone: another device, protocol or season adds to it.",
        "Tests that are averaged have to be tests of their own, on other days and not told from one another by learning.",
    ]
    return {
        "subject_id": trend.subject_id,
        "quantity": trend.quantity,
        "unit": trend.unit,
        "series": [
            _planned_series(series, change, CHANCE if chance is None else chance) for series in trend.series
        ],
        "next_test_due": trend.next_test_due,
        "notes": notes,
        "source": SOURCE,
    }


def _planned_series(series: TrendSeries, change: float | None, chance: float) -> dict[str, Any]:
    error, latest, worthwhile = series.typical_error, series.latest, series.smallest_worthwhile_change
    answer: dict[str, Any] = {
        "mode": series.mode,
        "basis": series.basis,
        "protocol_family": series.protocol_family,
        "latest": None if latest is None else latest.point.value,
        "latest_test_id": None if latest is None else latest.point.test_id,
        "latest_date": None if latest is None else latest.point.date,
        "typical_error": None if error is None else error.as_dict(),
        "smallest_worthwhile_change": None if worthwhile is None else worthwhile.as_dict(),
        "detectable": [],
        "wanted": None,
        "reason": None,
    }
    if latest is None:
        return {**answer, "reason": "No test of this series counts, so there is no value to start from."}
    if error is None:
        return {
            **answer,
            "reason": "No typical error is known for this quantity, so it cannot be said what a test could show. The site can "
            "find its own from repeated tests.",
        }
    value = latest.point.value
    found = [detectable_change(value, error, before=before, after=after) for before, after in USUAL_NUMBERS]
    if None in found:
        return {
            **answer,
            "reason": "The typical error is in per cent and the latest value is not above zero.",
        }
    answer["detectable"] = [one.as_dict() for one in found if one is not None]
    wanted = (
        change if change is not None else worthwhile.from_value(value) if worthwhile is not None else None
    )
    if wanted is not None:
        answer["wanted"] = _wanted(value, wanted, error, chance)
    return answer


def _wanted(value: float, change: float, error: TypicalErrorUsed, chance: float) -> dict[str, Any]:
    found = needed_tests(value, change, error, chance=chance)
    reason = None
    if found is None:
        reason = "The value would not be above zero after such a change."
    elif found.tests_each_time is None:
        reason = f"Even {MOST_TESTS} tests each time would not show it with that chance: it is too small against the error."
    return {
        "change": change,
        "chance_asked": chance,
        "tests_each_time": None if found is None else found.tests_each_time,
        "chance": None if found is None else found.chance,
        "chance_with_one": None if found is None else found.chance_with_one,
        "reason": reason,
    }


def flat_csv(trend: dict[str, Any]) -> str:
    """The flat rows as CSV (RFC 4180)."""
    return csv_text(FLAT_COLUMNS, flat_rows(trend))
