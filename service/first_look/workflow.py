"""One file judged without a record: the same reading and the same analysis as a stored test has."""

from dataclasses import dataclass
from datetime import date as Date  # noqa: N812 a field below is named date
from typing import Any, Literal

from pydantic import ValidationError

from service.analysis.ages import years_between
from service.analysis.series import Conditions, Mode, Person, Purpose, Sex, Shape, StopReason, TestInput
from service.analysis.smoothing import LOCAL_SD_RULE
from service.analysis.summary import AnalysisSettings, analyse_test
from service.charts.uptake import columns_of
from service.errors import InvalidContent, Place
from service.imports.schemas import ColumnIn
from service.intake.options import ColumnChoice, ReadOptions
from service.intake.reading import read_test_file
from service.quantities import QUANTITIES
from service.reference.tables import builtin_norms


@dataclass(frozen=True, slots=True)
class OneFile:
    """What is said beside a file.

    Attributes
    ----------
    mode : str
    sex, age_years, birth_date, date, body_mass_kg, height_cm
        Of the person; `date` is the day of the test and goes with `birth_date`.
    columns : dict, optional
        Header to ``{"quantity", "unit"}`` or None.
    sheet : str, optional
    exercise : tuple of float, optional
        Seconds at which exercise began and ended.
    stop_reason : str, optional
    purpose : str
    shape : str, optional
        Inferred where it is not given.
    resting_heart_rate_bpm : float, optional
    limits_heart_rate : bool
        Whether a medication does.
    handrail_support : bool, optional
    barometric_pressure_mmhg, temperature_c : float, optional
        Of the room.
    effort_rules : str
        Built-in rule set.
    peak_convention : str
    peak_window : float
        Seconds, or breaths for a convention of breaths.
    aberrant_breaths : str
        Rule that leaves out single breaths.
    """

    mode: Mode
    sex: Sex | None = None
    age_years: float | None = None
    birth_date: Date | None = None
    date: Date | None = None
    body_mass_kg: float | None = None
    height_cm: float | None = None
    columns: dict[str, Any] | None = None
    sheet: str | None = None
    exercise: tuple[float, float] | None = None
    stop_reason: StopReason | None = None
    purpose: Purpose = "maximal"
    shape: Shape | None = None
    resting_heart_rate_bpm: float | None = None
    limits_heart_rate: bool = False
    handrail_support: bool | None = None
    barometric_pressure_mmhg: float | None = None
    temperature_c: float | None = None
    effort_rules: str = "default"
    peak_convention: Literal[
        "time_weighted", "moving_seconds", "consecutive_bins", "moving_breaths", "trimmed_breaths"
    ] = "time_weighted"
    peak_window: float = 30.0
    aberrant_breaths: str = LOCAL_SD_RULE


def analyse_file(data: bytes, name: str, question: OneFile) -> tuple[dict[str, Any], dict[str, list[Any]]]:
    """Read and judge one file.

    Parameters
    ----------
    data : bytes
    name : str
    question : OneFile

    Returns
    -------
    document : dict
        The analysis object, with the findings of reading first; `test_id` is None.
    columns : dict of list
        The series as the chart takes it.

    Raises
    ------
    RefusedFile, TooLarge, UnsupportedMediaType, InvalidContent
    """
    choices = {}
    for header, choice in (question.columns or {}).items():
        try:
            column = None if choice is None else ColumnIn.model_validate(choice)
        except ValidationError as error:
            places = tuple(
                Place(
                    ".".join(["columns", header, *(str(part) for part in fault["loc"])]),
                    fault["msg"],
                    column=header,
                )
                for fault in error.errors()
            )
            raise InvalidContent(f"What is said of column {header!r} cannot be used.", places) from error
        choices[header] = None if column is None else ColumnChoice(column.quantity, column.unit)
    file = read_test_file(
        data,
        name,
        ReadOptions(
            columns=choices,
            sheet=question.sheet,
            body_mass_kg=question.body_mass_kg,
            barometric_pressure_mmhg=question.barometric_pressure_mmhg,
            temperature_c=question.temperature_c,
        ),
    )
    start, end = question.exercise or (None, None)
    if start is not None and end is not None and end <= start:
        message = "must be later than the start"
        raise InvalidContent(f"The end of exercise {message}.", (Place("exercise", message, value=end),))
    test = TestInput(
        series=file.series,
        mode=question.mode,
        person=_person(question),
        notes=file.stage_notes,
        exercise_start_s=start,
        exercise_end_s=end,
        stop_reason=question.stop_reason,
        purpose=question.purpose,
        shape=question.shape,
        handrail_support=question.handrail_support,
        conditions=Conditions(
            barometric_pressure_mmhg=question.barometric_pressure_mmhg, temperature_c=question.temperature_c
        ),
    )
    analysis = analyse_test(test, _settings(question), builtin_norms())
    document = {
        "test_id": None,
        "provisional": False,
        **analysis.as_dict(),
        "settings_changed_since": [],
    }
    document["findings"] = [*(remark.as_dict() for remark in file.findings), *document["findings"]]
    return document, columns_of(file.series, analysis.breath_care.left_out)


def _person(question: OneFile) -> Person:
    age = question.age_years
    basis: Literal["birth_date", "given"] | None = None if age is None else "given"
    if question.birth_date is not None and question.date is not None:
        if question.date < question.birth_date:
            message = "lies before the birth date"
            raise InvalidContent(f"The date of the test {message}.", (Place("date", message),))
        age, basis = years_between(question.birth_date, question.date), "birth_date"
    for name, value in (
        ("body_mass_kg", question.body_mass_kg),
        ("height_cm", question.height_cm),
        ("age_years", age),
        ("resting_heart_rate_bpm", question.resting_heart_rate_bpm),
        ("barometric_pressure_mmhg", question.barometric_pressure_mmhg),
        ("temperature_c", question.temperature_c),
    ):
        if value is not None and not QUANTITIES[name].possible(value):
            message = f"is not possible: {value:g} {QUANTITIES[name].unit}"
            raise InvalidContent(f"{name} {message}.", (Place(name, message, value=value),))
    return Person(
        sex=question.sex,
        age_years=age,
        age_low_years=age,
        age_high_years=age,
        age_basis=basis,
        body_mass_kg=question.body_mass_kg,
        height_cm=question.height_cm,
        resting_heart_rate_bpm=question.resting_heart_rate_bpm,
        limits_heart_rate=question.limits_heart_rate,
    )


def _settings(question: OneFile) -> AnalysisSettings:
    if question.peak_convention in {"moving_breaths", "trimmed_breaths"}:
        return AnalysisSettings(
            peak_convention=question.peak_convention,
            peak_window_breaths=round(question.peak_window),
            aberrant_breaths=question.aberrant_breaths,
            effort_rules=question.effort_rules,
        )
    return AnalysisSettings(
        peak_convention=question.peak_convention,
        peak_window_s=question.peak_window,
        aberrant_breaths=question.aberrant_breaths,
        effort_rules=question.effort_rules,
    )
