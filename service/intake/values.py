"""From cells of one column to values of its quantity: the unit, whether it can be, and the conversion."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from service.analysis.series import Floats
from service.errors import Place, RefusedFile
from service.findings import Finding, finding
from service.intake.layout import Column
from service.intake.measures import Measure, UnitChoice
from service.intake.numerals import as_text, to_numbers
from service.intake.options import DecimalMark
from service.intake.units import factor, is_notation, parse_unit
from service.quantities import QUANTITIES

#: A negative value of these cannot be and is never stored.
NEVER_NEGATIVE = frozenset({"vo2_ml_min", "vo2_ml_kg_min", "vco2_ml_min", "vco2_ml_kg_min", "ve_l_min"})
_MOST_FINDINGS = 20


@dataclass(frozen=True, slots=True)
class Values:
    """A column read.

    Attributes
    ----------
    column : Column
    key : str
        Of the registry.
    values : ndarray of float, shape (n,)
        In the unit of `key`, NaN where missing.
    unit : str
        As written, or as assumed.
    factor : float or None
        None where the conversion is no factor (an angle to a grade).
    faults : tuple of Place
    findings : tuple of Finding
    """

    column: Column
    key: str
    values: Floats
    unit: str
    factor: float | None
    faults: tuple[Place, ...] = ()
    findings: tuple[Finding, ...] = field(default=())


def read_values(
    column: Column, measure: Measure, cells: Sequence[Any], mark: DecimalMark, rows: Sequence[int]
) -> Values:
    """Read, judge and convert one column.

    Raises
    ------
    RefusedFile
        The unit is missing, unknown, of another dimension, or does not fit the values: always as a question
        that names the column and the choices.
    """
    numbers = to_numbers(cells, mark)
    faults = [
        Place("file", f"'{as_text(cells[at])[:60]}' {why}.", as_text(cells[at])[:60], rows[at], column.header)
        for at, why in numbers.faults
    ]
    raw = numbers.values
    unit_text, findings = column.unit_text, []
    if column.unit is None:
        if unit_text is not None:
            raise _ask(column, measure, f"The unit '{unit_text}' of column '{column.header}' is not known.")
        choice = _assumed(column, measure, raw)
        unit, unit_text = parse_unit(choice.text), choice.text
        if len(measure.units) > 1 or choice.text not in {"fraction", "Borg", "MET"}:
            findings.append(
                finding(
                    "unit_assumed_by_trade",
                    f"Column '{column.header}' has no unit; its values fit {choice.text} alone.",
                    column=column.header,
                )
            )
    else:
        unit = column.unit
        # Shown in one spelling: kmh and km/h are one unit.
        unit_text = next(
            (choice.text for choice in measure.units if parse_unit(choice.text) == unit), unit_text
        )
    assert unit is not None and unit_text is not None  # noqa: S101, PT018 both branches set them
    key, scale = _key(column, measure, unit, unit_text)
    values = 100.0 * np.tan(np.radians(raw)) if scale is None else _converted(raw, scale)
    _check_fit(column, measure, raw, values, key, unit, unit_text)
    faults += _negative(column, key, raw, rows)
    findings += _impossible(column, key, values, raw, rows)
    return Values(column, key, values, unit_text, scale, tuple(faults), tuple(findings))


def _converted(raw: Floats, scale: float) -> Floats:
    # 1/1000 is not exact in binary, a division by 1000 is as exact as can be.
    if scale < 1 and float(round(1 / scale)) * scale == 1.0:
        return raw / round(1 / scale)
    return raw * scale


def _key(column: Column, measure: Measure, unit: str, unit_text: str) -> tuple[str, float | None]:
    if "degree" in unit and measure.name == "grade":
        return measure.keys[0], None
    for key, target in zip(measure.keys, measure.targets, strict=True):
        goal = parse_unit(target)
        scale = None if goal is None or is_notation(unit) else factor(unit, goal)
        if scale is not None:
            return key, scale
    label = QUANTITIES[measure.keys[0]].label.lower()
    raise _ask(
        column,
        measure,
        f"Column '{column.header}' is said to be in {unit_text}, which is no unit of {label}.",
    )


def _ask(column: Column, measure: Measure, message: str, value: Any = None) -> RefusedFile:
    choices = ", ".join(choice.text for choice in measure.units)
    key, unit = measure.keys[0], measure.units[0].text
    how = (
        f"In which unit is '{column.header}': {choices}? Answer with the option columns, for example "
        f'{{"{column.header}": {{"quantity": "{key}", "unit": "{unit}"}}}}, or null to leave the column out.'
    )
    return RefusedFile(message, (Place("file", how, column=column.header, value=value or column.unit_text),))


def _typical(raw: Floats, measure: Measure) -> float:
    """The value that is compared with the ranges of the units."""
    finite = raw[np.isfinite(raw)]
    if not finite.size:
        return float("nan")
    if measure.name == "grade":
        return float(np.abs(finite).max())
    above = finite[finite > 0]
    return float(np.median(above)) if above.size else 0.0


def _fits(choice: UnitChoice, value: float) -> bool:
    return choice.low <= value <= choice.high


def _assumed(column: Column, measure: Measure, raw: Floats) -> UnitChoice:
    """The one unit that the values allow and the trade uses without saying so."""
    value = _typical(raw, measure)
    if not np.isfinite(value):
        # An empty column: any unit of the trade is as true.
        for choice in measure.units:
            if choice.text in measure.assumed:
                return choice
    possible = [choice for choice in measure.units if _fits(choice, value)]
    if measure.name == "grade" and (value == 0 or value > 0.45):
        possible = [choice for choice in measure.units if choice.text == "%" and value <= choice.high]
    if measure.name == "power":
        possible = [choice for choice in possible if choice.text == "W" or value > 500]
    if len(possible) == 1 and possible[0].text in measure.assumed:
        return possible[0]
    raise _ask(
        column,
        measure,
        f"Column '{column.header}' has no unit, and its values (median {value:.4g}) do not tell it.",
        value=_plain(value),
    )


def _plain(value: float) -> float | None:
    return round(value, 6) if np.isfinite(value) else None


def _check_fit(
    column: Column, measure: Measure, raw: Floats, values: Floats, key: str, unit: str, unit_text: str
) -> None:
    """More than half beyond what can be, or a median in another unit's range, is a question.

    Zeros are left out: they are zero in every unit, and a channel that was lost is a fault of the recording.
    """
    finite = np.isfinite(raw) & (raw != 0)
    count = int(finite.sum())
    if not count:
        return
    quantity = QUANTITIES[key]
    value = _typical(raw, measure)
    if quantity.hard is not None:
        low, high = quantity.hard
        beyond = int(((values[finite] < low) | (values[finite] > high)).sum())
        if beyond * 2 > count:
            raise _ask(
                column,
                measure,
                f"Column '{column.header}' is said to be in {unit_text}, but {beyond} of its {count} values lie beyond "
                f"what is possible ({low:g} to {high:g} {quantity.unit}).{_hint(measure, value, unit)}",
                value=_plain(value),
            )
    own = next((choice for choice in measure.units if parse_unit(choice.text) == unit), None)
    if own is None or _fits(own, value) or value == 0:
        return
    others = [choice.text for choice in measure.units if choice is not own and _fits(choice, value)]
    if others:
        raise _ask(
            column,
            measure,
            f"Column '{column.header}' is said to be in {unit_text}, but its median, {value:.4g}, lies in the range of "
            f"{' or '.join(others)}.",
            value=_plain(value),
        )


def _hint(measure: Measure, value: float, unit: str) -> str:
    others = [c.text for c in measure.units if parse_unit(c.text) != unit and _fits(c, value)]
    return f" The median, {value:.4g}, would fit {' or '.join(others)}." if others else ""


def _negative(column: Column, key: str, raw: Floats, rows: Sequence[int]) -> list[Place]:
    if key not in NEVER_NEGATIVE:
        return []
    label = QUANTITIES[key].label
    return [
        Place(
            "file", f"{label} cannot be negative.", value=float(raw[at]), row=rows[at], column=column.header
        )
        for at in np.flatnonzero(raw < 0).tolist()
    ]


def _impossible(column: Column, key: str, values: Floats, raw: Floats, rows: Sequence[int]) -> list[Finding]:
    quantity = QUANTITIES[key]
    if quantity.hard is None:
        return []
    low, high = quantity.hard
    found = np.flatnonzero((values < low) | (values > high))
    notes = [
        finding(
            "impossible_value",
            f"{quantity.label} of {raw[at]:g} in row {rows[at]} lies beyond what is possible ({low:g} to {high:g} "
            f"{quantity.unit}); kept as it stands.",
            first_seq=int(at),
            last_seq=int(at),
            row=rows[at],
            column=column.header,
        )
        for at in found[:_MOST_FINDINGS].tolist()
    ]
    if found.size > _MOST_FINDINGS:
        notes.append(
            finding(
                "impossible_value",
                f"{found.size - _MOST_FINDINGS} more values of {quantity.label.lower()} lie beyond what is possible.",
                first_seq=int(found[_MOST_FINDINGS]),
                last_seq=int(found[-1]),
                column=column.header,
            )
        )
    return notes
