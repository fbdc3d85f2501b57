"""Empty tables to fill in, with headers and units that are read without a question.

CSV alone: every spreadsheet opens it, and nothing that runs here writes workbooks. Where the decimal mark is a comma a
spreadsheet splits such a file at semicolons, so that both come in that form too.
"""

import csv
import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from service.intake.manifest import REQUIRED
from service.intake.measures import MEASURES
from service.intake.options import DecimalMark
from service.intake.terms import known_terms
from service.quantities import QUANTITIES

Row = Mapping[str, Any]
_TERMS = known_terms()


@dataclass(frozen=True, slots=True)
class TemplateColumn:
    """One column to fill in.

    Attributes
    ----------
    name : str
        The header.
    unit : str
        In the line below the header; empty where the column has none.
    meaning : str
    needed : bool
    """

    name: str
    unit: str
    meaning: str
    needed: bool = False


@dataclass(frozen=True, slots=True)
class Template:
    """A table to fill in.

    Attributes
    ----------
    name : str
        In addresses, and of the file.
    title, use : str
    columns : tuple of TemplateColumn
    has_units : bool
        Whether a line of units stands below the header.
    example : callable
        Invented rows, each with values by header.
    """

    name: str
    title: str
    use: str
    columns: tuple[TemplateColumn, ...]
    has_units: bool
    example: Callable[[], list[Row]]

    def csv_text(self, decimal_mark: DecimalMark = ".", *, filled: bool = False) -> str:
        """The table as text.

        Parameters
        ----------
        decimal_mark : {".", ","}
            With a comma the cells are parted by semicolons.
        filled : bool
            With the rows of the example.
        """
        buffer = io.StringIO()
        writer = csv.writer(buffer, delimiter=";" if decimal_mark == "," else ",", lineterminator="\r\n")
        writer.writerow([one.name for one in self.columns])
        if self.has_units:
            writer.writerow([one.unit for one in self.columns])
        for row in self.example() if filled else ():
            writer.writerow([_cell(row.get(one.name), decimal_mark) for one in self.columns])
        return buffer.getvalue()


def _cell(value: Any, decimal_mark: DecimalMark) -> str:
    if isinstance(value, float):
        return f"{value:g}".replace(".", decimal_mark)
    return "" if value is None else str(value)


def _column(
    measure: str, meaning: str = "", *, name: str | None = None, unit: str | None = None
) -> TemplateColumn:
    """A column of a test: where nothing is said, the first term of the trade and the first unit that intake knows."""
    known = MEASURES[measure]
    units = [one.text for one in known.units if one.text != "fraction"]
    label = QUANTITIES[known.keys[0]].label if known.keys else ""
    return TemplateColumn(
        name or _TERMS[measure][0],
        (units[0] if units else "") if unit is None else unit,
        f"{label}. {meaning}".strip() if label else meaning,
    )


_END = "end of interval"  # a term of the measure `end`, which needs no assumption about what a time marks
_RPE = "RPE (6-20)"
_MINUTES = 12


def _step_test() -> list[Row]:
    """A step test on a cycle, 15 s averages: 2 minutes of rest, steps of 20 W a minute, 2 minutes of recovery."""
    rows: list[Row] = []
    for at in range(1, 4 * _MINUTES + 1):
        minute = (at - 1) // 4
        working = 2 <= minute < _MINUTES - 2
        load = 60 + 20 * (minute - 2) if working else 0
        # About 10 mL/min for each watt above the uptake of pedalling without a load.
        uptake = (
            320 if minute < 2 else 560 + 10.2 * load if working else 2100 - 180 * (at - 4 * (_MINUTES - 2))
        )
        rate = 78 if minute < 2 else 88 + 0.44 * load if working else 172 - 6 * (at - 4 * (_MINUTES - 2))
        ratio = 0.84 if minute < 2 else 0.84 + 0.0017 * load if working else 1.15
        rows.append(
            {
                _END: 15 * at,
                "phase": "rest" if minute < 2 else "exercise" if working else "recovery",
                "stage": minute - 1 if working else None,
                "VO2": round(uptake),
                "VCO2": round(uptake * ratio),
                "VE": round(uptake * ratio / 1000 * 27 + 3, 1),
                "HR": round(rate),
                "power": load,
            }
        )
    return rows


def _stage_sheet() -> list[Row]:
    """Six stages of 3 minutes on a cycle, noted by hand."""
    rates, exertions = (98, 112, 127, 141, 156, 170), (9, 11, 12, 14, 16, 18)
    lactates = (1.1, 1.2, 1.5, 2.3, 4.2, 7.9)
    pressures = ((128, 78), (138, 78), (148, 76), (158, 76), (168, 76), (176, 74))
    return [
        {
            _END: 3 * (at + 1),
            "stage": at + 1,
            "power": 60 + 30 * at,
            "HR": rates[at],
            _RPE: exertions[at],
            "lactate": lactates[at],
            "systolic": pressures[at][0],
            "diastolic": pressures[at][1],
            "comment": "legs heavy" if at == 5 else None,
        }
        for at in range(6)
    ]


def _old_tests() -> list[Row]:
    """One test with a file, and one whose results alone are known."""
    return [
        {
            "subject": "EX-01",
            "date": "2024-10-15",
            "mode": "cycle",
            "file": "ex-01-2024-10-15.csv",
            "sex": "female",
            "birth_date": "1985-03-02",
            "body_mass_kg": 70.4,
            "height_cm": 168,
            "stop_reason": "exhaustion",
        },
        {
            "subject": "EX-02",
            "date": "2016-05-10",
            "mode": "cycle",
            "sex": "male",
            "birth_date": "1971-12-01",
            "body_mass_kg": 92.5,
            "stop_reason": "legs",
            "vo2_peak_ml_min": 2900,
            "heart_rate_max_bpm": 178,
            "source": "paper card",
        },
    ]


def _of_manifest(name: str, meaning: str) -> TemplateColumn:
    return TemplateColumn(name, "", meaning, needed=name in REQUIRED)


def _with_label(name: str) -> TemplateColumn:
    quantity = QUANTITIES[name]
    return _of_manifest(name, f"{quantity.label}, {quantity.unit}.")


_ALL = (
    Template(
        "intervals",
        "A test, averages over 15 s",
        "One file for each test, one row for each interval. Other lengths than 15 s are read too; leave a column empty "
        "that you have not measured.",
        (
            TemplateColumn(
                _END, "s", "Seconds since the recording began, at the end of the interval.", needed=True
            ),
            _column("phase", "rest, warm-up, exercise or recovery."),
            _column("stage", "Number of the stage, from 1."),
            _column("vo2", "STPD."),
            _column("vco2", "STPD."),
            _column("ve", unit="L/min BTPS"),
            _column("heart_rate"),
            _column("respiratory_rate", name="respiratory rate"),
            _column("power"),
            _column("speed"),
            _column("grade"),
            _column("spo2"),
        ),
        has_units=True,
        example=_step_test,
    ),
    Template(
        "stages",
        "A test, one row for each stage",
        "For what is noted by hand at the end of each stage, with or without gas exchange. Stages of unequal length are "
        "read as they are.",
        (
            TemplateColumn(
                _END, "min", "Minutes since exercise began, at the end of the stage.", needed=True
            ),
            _column("stage", "Number of the stage, from 1."),
            _column("power"),
            _column("speed"),
            _column("grade"),
            _column("heart_rate"),
            _column("vo2", "STPD; leave it empty where none was measured."),
            # In the line of units a spreadsheet would make a date of it.
            _column("rpe", "At the end of the stage; for the other scale write (0-10).", name=_RPE, unit=""),
            _column("lactate"),
            _column("systolic", name="systolic"),
            _column("diastolic", name="diastolic"),
            _column("comment", "What was seen or said."),
        ),
        has_units=True,
        example=_stage_sheet,
    ),
    Template(
        "manifest",
        "A list of old tests",
        "One row for each test: whose, when, and in which file. A test of which the results alone are known has no file. "
        "Units are in the names; more columns than these are read.",
        (
            _of_manifest("subject", "Code of the person; a new code makes a new person."),
            _of_manifest("date", "Year-month-day, 2019-05-31."),
            _of_manifest("mode", "treadmill, cycle, arm, row, ski, step, walk or run."),
            _of_manifest("file", "Name of the file."),
            _of_manifest("sex", "female or male; reference tables ask for it."),
            _of_manifest("birth_date", "Year-month-day; or the column birth_year."),
            _with_label("body_mass_kg"),
            _with_label("height_cm"),
            _of_manifest("protocol_id", "Id of the protocol, where it is known."),
            _of_manifest(
                "stop_reason", "exhaustion, legs, breath, symptom, target_reached, tester and so on."
            ),
            _of_manifest("tester", "Who tested."),
            _of_manifest("notes", "What else is to be known of the test."),
            _with_label("vo2_peak_ml_min"),
            _with_label("heart_rate_max_bpm"),
            _of_manifest("source", "Where results without a file come from."),
        ),
        has_units=False,
        example=_old_tests,
    ),
)

#: Every template by its name.
TEMPLATES: Mapping[str, Template] = MappingProxyType({one.name: one for one in _ALL})
