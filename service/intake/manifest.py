"""A list of old tests to import in one go: whose, when, what, and in which file."""

import datetime as dt
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, get_args

from service.analysis.series import Mode, Purpose, Sex, Shape, StopReason
from service.errors import Place, RefusedFile, TooLarge
from service.findings import Finding, finding
from service.intake.numerals import MISSING, as_text, find_decimal_mark, is_blank, to_number
from service.intake.options import ColumnChoice, DecimalMark, ReadLimits, ReadOptions
from service.intake.sheets import Rows, Sheet, check_bytes, is_workbook, read_text, read_workbook
from service.quantities import QUANTITIES, of_kind

REQUIRED = ("subject", "date", "mode")
_PERSON = ("sex", "birth_date", "birth_year")
_VISIT = tuple(quantity.key for quantity in of_kind("visit"))
_RESULTS = tuple(quantity.key for quantity in (*of_kind("result"), *of_kind("measurement")))
_WORDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "mode": get_args(Mode),
        "sex": get_args(Sex),
        "shape": get_args(Shape),
        "purpose": get_args(Purpose),
        "stop_reason": get_args(StopReason),
        "time_marks": ("end", "start"),
        "volume_condition": ("btps", "atps", "stpd"),
        "decimal_mark": (".", ","),
    }
)
_SECONDS = ("exercise_start_s", "exercise_end_s", "first_s", "last_s")
_TEXTS = ("file", "sheet", "columns", "protocol_id", "round", "site", "tester", "notes", "method", "source")

#: Every column a manifest may have.
COLUMNS: tuple[str, ...] = tuple(
    dict.fromkeys((*REQUIRED, *_TEXTS, *_PERSON, *_VISIT, *_WORDS, *_SECONDS, *_RESULTS))
)


@dataclass(frozen=True, slots=True)
class ManifestRow:
    """One test of a manifest.

    Attributes
    ----------
    row : int
        Row of the manifest, the first line being 1.
    subject : str
        Code of the subject.
    date : datetime.date or None
        Of the visit; None where it could not be read, which is among the faults.
    mode : str or None
    file : str or None
        As written; None for results that came without intervals.
    sex, birth_date, birth_year
        Of the subject, where the manifest has them.
    visit : mapping of str to float
        Keys of the registry that belong to a visit: ``body_mass_kg``, ``height_cm`` and so on.
    test : mapping of str to object
        ``shape``, ``purpose``, ``stop_reason``, ``protocol_id``, ``exercise_start_s``, ``exercise_end_s``.
    texts : mapping of str to str
        ``round``, ``site``, ``tester``, ``notes``, ``method``, ``source``.
    results : mapping of str to float
        Results and other measurements as reported.
    read_options : ReadOptions
        For the file, with mass and conditions of the visit filled in.
    faults : tuple of Place
        Why this row cannot be imported; empty for a good one.
    findings : tuple of Finding
        Results beyond what is possible: kept, with row and column.
    """

    row: int
    subject: str
    date: dt.date | None
    mode: Mode | None
    file: str | None
    sex: Sex | None = None
    birth_date: dt.date | None = None
    birth_year: int | None = None
    visit: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    test: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))
    texts: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    results: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    read_options: ReadOptions = field(default_factory=ReadOptions)
    faults: tuple[Place, ...] = ()
    findings: tuple[Finding, ...] = ()


def read_manifest(data: bytes, filename: str, limits: ReadLimits | None = None) -> list[ManifestRow]:
    """Read a manifest, CSV or XLSX.

    Parameters
    ----------
    data : bytes
    filename : str
        For messages.
    limits : ReadLimits, optional

    Returns
    -------
    list of ManifestRow
        Every row that holds anything, good or not.

    Raises
    ------
    RefusedFile
        The manifest itself cannot be read: a column is missing, unknown or there twice, or there is no row.
    """
    limits = limits or ReadLimits()
    check_bytes(data, limits)
    if is_workbook(data):
        sheets = [reader(None) for reader in read_workbook(data, limits).values()]
        sheet = max(sheets, key=lambda one: _header_score(one.rows))
    else:
        sheet = read_text(data, limits, _header_score)
    header_row = next((at for at, row in enumerate(sheet.rows) if any(not is_blank(cell) for cell in row)), 0)
    names = _names(sheet, header_row, filename)
    body = sheet.rows[header_row + 1 :]
    filled = [(at, row) for at, row in enumerate(body) if any(not is_blank(cell) for cell in row)]
    if not filled:
        raise RefusedFile(
            f"'{filename}' lists no test.", (Place("file", "There is no row below the header."),)
        )
    if len(filled) > limits.max_rows:
        raise TooLarge(f"'{filename}' lists {len(filled):,} tests; at most {limits.max_rows:,} are read.")
    numeric = {*_VISIT, *_RESULTS, *_SECONDS}
    cells = (
        row[at] for _, row in filled for at, name in enumerate(names) if name in numeric and at < len(row)
    )
    mark = find_decimal_mark(cells, sheet.delimiter, None)
    rows = [_Row(names, row, header_row + at + 2, mark).read() for at, row in filled]
    return _without_repeats(rows)


def _clean(cell: Any) -> str:
    return re.sub(r"[\s-]+", "_", as_text(cell).strip("\ufeff").casefold())


def _header_score(rows: Rows) -> float:
    first = next((row for row in rows if any(not is_blank(cell) for cell in row)), [])
    return float(sum(_clean(cell) in COLUMNS for cell in first))


def _names(sheet: Sheet, header_row: int, filename: str) -> list[str]:
    names = [_clean(cell) for cell in sheet.rows[header_row]] if sheet.rows else []
    faults = [
        Place("file", f"A manifest needs the column {name}.", column=name)
        for name in REQUIRED
        if name not in names
    ]
    if "file" not in names and not set(names) & set(_RESULTS):
        faults.append(
            Place("file", "A manifest needs the column file, or columns of results.", column="file")
        )
    for at, name in enumerate(names):
        if name and name not in COLUMNS:
            faults.append(
                Place(
                    "file",
                    "No such column. A manifest may have: " + ", ".join(COLUMNS) + ".",
                    value=name,
                    column=name,
                )
            )
        elif name and name in names[:at]:
            faults.append(Place("file", "The column is there twice.", column=name))
    if faults:
        raise RefusedFile(f"'{filename}' is not a manifest that can be read.", tuple(faults))
    return names


class _Row:
    """One row; collects its faults instead of stopping at the first."""

    def __init__(self, names: list[str], cells: list[Any], number: int, mark: DecimalMark) -> None:
        self.cells = {name: cells[at] if at < len(cells) else "" for at, name in enumerate(names) if name}
        self.number, self.mark = number, mark
        self.faults: list[Place] = []
        self.findings: list[Finding] = []

    def fault(self, column: str, message: str) -> None:
        """Note why the row cannot be imported."""
        cell = self.cells.get(column, "")
        value = None if is_blank(cell) else as_text(cell)[:80]
        self.faults.append(Place(f"manifest.{column}", message, value=value, row=self.number, column=column))

    def has(self, column: str) -> bool:
        """Whether the row says anything there."""
        cell = self.cells.get(column, "")
        return not is_blank(cell) and as_text(cell).casefold() not in MISSING

    def read(self) -> ManifestRow:
        """The row, with everything that is wrong with it."""
        subject = self._text("subject")
        if not subject:
            self.fault("subject", "Whose test is it? The code of the subject is missing.")
        date, birth_date = self._date("date"), self._date("birth_date")
        if date is None and not self.has("date"):
            self.fault("date", "The date of the test is missing.")
        if date is not None and birth_date is not None and date <= birth_date:
            self.fault("date", "The test lies before the birth of the person.")
        mode = self._word("mode")
        if mode is None and not self.has("mode"):
            self.fault("mode", "The mode is missing. Use one of: " + ", ".join(_WORDS["mode"]) + ".")
        visit = self._numbers(_VISIT, self._visit_value)
        results = self._numbers(_RESULTS, self._result)
        file = self._text("file") or None
        if file is None and not results:
            self.fault("file", "The row names no file and has no result.")
        test: dict[str, Any] = {name: self._word(name) for name in ("shape", "purpose", "stop_reason")}
        test["protocol_id"] = self._text("protocol_id") or None
        seconds = self._numbers(_SECONDS, lambda _name, value: value)
        test |= {name: seconds.get(name) for name in ("exercise_start_s", "exercise_end_s")}
        options = self._options(visit, seconds)
        texts = {name: self._text(name) for name in ("round", "site", "tester", "notes", "method", "source")}
        return ManifestRow(
            row=self.number,
            subject=subject,
            date=date,
            mode=mode,
            file=file,
            sex=self._word("sex"),
            birth_date=birth_date,
            birth_year=self._year(date),
            visit=MappingProxyType(visit),
            test=MappingProxyType({name: value for name, value in test.items() if value is not None}),
            texts=MappingProxyType({name: text for name, text in texts.items() if text}),
            results=MappingProxyType(results),
            read_options=options,
            faults=tuple(self.faults),
            findings=tuple(self.findings),
        )

    def _text(self, name: str) -> str:
        cell = self.cells.get(name, "")
        if isinstance(cell, float) and cell.is_integer():
            return str(int(cell))  # a code of digits, which a spreadsheet keeps as a number
        return as_text(cell) if not is_blank(cell) else ""

    def _word(self, name: str) -> Any:
        if not self.has(name):
            return None
        word = self._text(name).casefold()
        if word in _WORDS[name]:
            return word
        self.fault(name, "Use one of: " + ", ".join(_WORDS[name]) + ".")
        return None

    def _date(self, name: str) -> dt.date | None:
        if not self.has(name):
            return None
        cell = self.cells[name]
        if isinstance(cell, dt.datetime):
            return cell.date()
        if isinstance(cell, dt.date):
            return cell
        try:
            return dt.date.fromisoformat(as_text(cell))
        except ValueError:
            self.fault(name, "Write the date as year-month-day, 2019-05-31; other orders can be misread.")
            return None

    def _year(self, date: dt.date | None) -> int | None:
        if not self.has("birth_year"):
            return None
        value = to_number(self.cells["birth_year"], self.mark)
        if isinstance(value, str) or value != int(value) or not 1850 < value < 2200:
            self.fault("birth_year", "The birth year is a year of four digits.")
            return None
        if date is not None and date.year < value:
            self.fault("birth_year", "The test lies before the birth of the person.")
            return None
        return int(value)

    def _numbers(
        self, names: tuple[str, ...], judge: Callable[[str, float], float | None]
    ) -> dict[str, float]:
        answer: dict[str, float] = {}
        for name in names:
            if not self.has(name):
                continue
            value = to_number(self.cells[name], self.mark)
            if isinstance(value, str):
                self.fault(name, f"The cell {value}.")
                continue
            judged = judge(name, value)
            if judged is not None:
                answer[name] = judged
        return answer

    def _visit_value(self, name: str, value: float) -> float | None:
        quantity = QUANTITIES[name]
        if quantity.possible(value):
            return value
        low, high = quantity.hard or (float("-inf"), float("inf"))
        self.fault(name, f"{quantity.label} lies between {low:g} and {high:g} {quantity.unit}.")
        return None

    def _result(self, name: str, value: float) -> float:
        quantity = QUANTITIES[name]
        if not quantity.possible(value):
            low, high = quantity.hard or (float("-inf"), float("inf"))
            limits = f"{low:g} to {high:g} {quantity.unit}".rstrip()
            self.findings.append(
                finding(
                    "reported_beyond_limit",
                    f"{quantity.label} of {value:g} in row {self.number} lies beyond what is possible ({limits}); it is "
                    "kept and not counted.",
                    row=self.number,
                    column=name,
                )
            )
        return value

    def _options(self, visit: Mapping[str, float], seconds: Mapping[str, float]) -> ReadOptions:
        rows = None
        if ("first_s" in seconds) != ("last_s" in seconds):
            self.fault("first_s" if "last_s" in seconds else "last_s", "first_s and last_s go together.")
        elif "first_s" in seconds:
            rows = (seconds["first_s"], seconds["last_s"])
        return ReadOptions(
            columns=self._columns(),
            sheet=self._text("sheet") or None,
            time_marks=self._word("time_marks"),
            volume_condition=self._word("volume_condition"),
            decimal_mark=self._word("decimal_mark"),
            rows=rows,
            body_mass_kg=visit.get("body_mass_kg"),
            barometric_pressure_mmhg=visit.get("barometric_pressure_mmhg"),
            temperature_c=visit.get("temperature_c"),
            relative_humidity_percent=visit.get("relative_humidity_percent"),
        )

    def _columns(self) -> Mapping[str, ColumnChoice | None]:
        if not self.has("columns"):
            return MappingProxyType({})
        try:
            given = json.loads(as_text(self.cells["columns"]))
            choices = {
                str(header): None if choice is None else ColumnChoice(**choice)
                for header, choice in given.items()
            }
        except (ValueError, TypeError, AttributeError):
            self.fault(
                "columns",
                'Write it as JSON: {"VO2": {"quantity": "vo2_ml_min", "unit": "L/min"}, "x": null}.',
            )
            return MappingProxyType({})
        return MappingProxyType(choices)


def _without_repeats(rows: list[ManifestRow]) -> list[ManifestRow]:
    """A row that lists the same test as one above is a fault of the later one."""
    seen: dict[tuple[Any, ...], int] = {}
    answer = []
    for row in rows:
        key = (row.subject, row.date, row.mode, row.file, row.read_options.rows, row.read_options.sheet)
        if row.subject and row.date is not None and key in seen:
            place = Place("manifest", f"It lists the same test as row {seen[key]}.", row=row.row)
            fields = {name: getattr(row, name) for name in ManifestRow.__slots__}
            row = ManifestRow(**{**fields, "faults": (*row.faults, place)})  # noqa: PLW2901 the row with its fault
        else:
            seen[key] = row.row
        answer.append(row)
    return answer
