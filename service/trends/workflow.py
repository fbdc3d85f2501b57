"""From rows of the results index to a judged trend."""

import csv
import io
import itertools
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from service.analyses.queries import site
from service.analyses.workflow import age_on
from service.analysis.change import (
    SmallestWorthwhileChange,
    TrendPoint,
    TypicalErrorUsed,
    smallest_worthwhile_change_from_quartiles,
    typical_error_for,
)
from service.analysis.norms import Rank, predict_all, rank
from service.analysis.series import Person
from service.analysis.trends import Trend, build_trend
from service.controls.workflow import shift_warnings, tested_on
from service.db.transactions import Store
from service.norms import queries as norms
from service.outlets.cells import inert
from service.quantities import QUANTITIES
from service.reference.tables import NormTable
from service.trends import queries
from service.trends.schemas import TrendRow

#: The one quantity that reference tables are about.
RANKED = "vo2_peak_ml_kg_min"
#: Quantities that are uptake per body mass and are shown beside uptake itself.
PER_BODY_MASS = {"vo2_peak_ml_kg_min", "mets_peak"}


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
) -> Trend:
    """The trend of one quantity of one subject, each point ranked at the age of its test.

    Raises
    ------
    NotFound
        `norm` names no table.
    """
    with store.read() as session:
        known = queries.subject(session, subject_pk)
        person = {"birth_date": known.birth_date, "birth_year": known.birth_year, "sex": known.sex}
        rows = queries.points(session, subject_pk, quantity, mode=mode, basis=basis, since=since, until=until)
        absolute = queries.absolute_uptake(session, subject_pk) if quantity in PER_BODY_MASS else {}
        named = norms.get(session, norm) if norm is not None else None
        tables: dict[str | None, NormTable | None] = {}
        for row in rows:
            tables.setdefault(row.Result.mode, named or norms.default_for(session, row.Result.mode))
        worthwhile_set = site(session).settings.get("smallest_worthwhile_change", {})
        points = [_point(row, person, absolute, tables[row.Result.mode], quantity) for row in rows]
        points = _with_shifts(session, rows, points)
    registered = QUANTITIES[quantity]
    return build_trend(
        registered,
        points,
        typical_error=typical_error_for(registered),
        smallest_worthwhile_change=_worthwhile(points, person["sex"], tables, quantity, worthwhile_set),
        include_all=include_all,
        subject_id=subject_id,
    )


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
    row: Any, person: dict[str, Any], absolute: dict[int, float], table: NormTable | None, quantity: str
) -> TrendPoint:
    result, visit, test = row.Result, row.Visit, row.ExerciseTest
    ages = age_on(person, {"age_years": visit.age_years}, result.date)
    standing = (
        _standing(result, person["sex"], ages, table) if quantity == RANKED and table is not None else None
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


def typical_error_fraction(error: TypicalErrorUsed | None) -> float | None:
    """A typical error on the log scale as a fraction of the value."""
    return error.value / 100 if error is not None and error.scale == "log" else None


def _standing(result: Any, sex: Any, ages: dict[str, Any], table: NormTable) -> Rank:
    return rank(
        table,
        sex=sex,
        age_years=ages["age_years"],
        age_low_years=ages["age_low_years"],
        age_high_years=ages["age_high_years"],
        value_ml_kg_min=result.value,
        rer=result.rer,
        typical_error_fraction=typical_error_fraction(typical_error_for(QUANTITIES[RANKED])),
        mode=result.mode,
        estimated=result.basis == "estimated",
    )


def _percent_of_predicted(result: Any, visit: Any, sex: Any, ages: dict[str, Any]) -> float | None:
    """By the first equation that applies to this mode, age and sex and gives uptake per body mass."""
    person = Person(sex=sex, **ages, body_mass_kg=visit.body_mass_kg, height_cm=visit.height_cm)
    mass = visit.body_mass_kg
    predicted = predict_all(person, result.mode, result.value * mass if mass else None, result.value)
    return next(
        (
            one.percent_of_predicted
            for one in predicted
            if one.applies and one.percent_of_predicted is not None and one.quantity == RANKED
        ),
        None,
    )


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


def trend_chart(store: Store, subject_pk: int, trend: dict[str, Any]) -> dict[str, Any]:
    """The specification of a trend's chart, with the reference table of its first series along the person's age."""
    from service.charts.trend import trend_spec

    return trend_spec(trend, norm_bands=_norm_bands(store, subject_pk, trend))


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


def flat_rows(trend: dict[str, Any]) -> list[dict[str, Any]]:
    """One row a point, for a spreadsheet or a dashboard: the fields of `TrendRow`."""
    rows = []
    for series in trend["series"]:
        for point in series["points"]:
            row = {**{name: trend[name] for name in ("subject_id", "quantity", "unit")}, **point}
            row |= {name: series[name] for name in ("mode", "basis", "protocol_family")}
            for change in ("change_from_first", "change_from_previous"):
                parts = point[change] or {}
                row |= {
                    f"{change}_{name}": parts.get(name)
                    for name in ("absolute", "percent", "ci_low", "ci_high", "verdict")
                }
            rows.append({name: row[name] for name in FLAT_COLUMNS})
    return rows


def flat_csv(trend: dict[str, Any]) -> str:
    """The flat rows as CSV (RFC 4180)."""
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, FLAT_COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({name: inert(value) for name, value in row.items()} for row in flat_rows(trend))
    return buffer.getvalue()
