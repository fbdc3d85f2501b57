"""A test file read: `read_test_file`, and what it gives back."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from service.analysis.series import PHASES, Bools, Floats, Series, StageNote
from service.errors import Place, RefusedFile, TooLarge
from service.findings import Finding, finding
from service.intake import checks, clock, notes
from service.intake.layout import (
    HEADER_WITHIN_ROWS,
    Column,
    Layout,
    find_layout,
    header_score,
    quantity_name,
    same_row,
)
from service.intake.measures import MEASURES, Measure
from service.intake.numerals import MISSING, Times, as_text, find_decimal_mark, is_blank, to_number, to_times
from service.intake.options import DecimalMark, ReadLimits, ReadOptions
from service.intake.sheets import Sheet, SheetReader, check_bytes, is_workbook, read_text, read_workbook
from service.intake.terms import read_phase
from service.intake.values import Values, read_values
from service.quantities import CHANNELS

Source = Literal["header", "units_row", "option"]
Indices = NDArray[np.intp]
_EDGE_TOLERANCE_S = 1e-6


@dataclass(frozen=True, slots=True)
class ReadColumn:
    """What became of one column.

    Attributes
    ----------
    header : str
    index : int
        From 0.
    quantity : str or None
        Key of the registry, ``time``, ``phase`` and so on; None where the column was left out.
    unit : str or None
        Of the file.
    from_ : {"header", "units_row", "option"}
        What decided it.
    factor : float or None
        From the file's unit to that of the quantity; None where the conversion is no factor.
    """

    header: str
    index: int
    quantity: str | None
    unit: str | None
    from_: Source
    factor: float | None


@dataclass(frozen=True, slots=True)
class TestFile:
    """One test as a file has it.

    Attributes
    ----------
    series : Series
        The intervals; times on the clock of the file plus the offset.
    columns : tuple of ReadColumn
    row_numbers : tuple of int
        File row of each interval; the first line of the file is 1.
    findings : tuple of Finding
    stage_notes : tuple of StageNote
        From columns of perceived exertion, lactate, blood pressure, comments.
    breath_by_breath : bool
        Whether the intervals are breaths rather than averages over equal times.
    sheet, encoding, delimiter : str or None
    decimal_mark : {".", ","}
    zero_of_day_s : float or None
        Seconds after midnight at time 0 on the clock of the file; None where it holds no times of day.
    """

    __test__ = False  # its name is the trade's, not a test class

    series: Series
    columns: tuple[ReadColumn, ...]
    row_numbers: tuple[int, ...]
    findings: tuple[Finding, ...]
    stage_notes: tuple[StageNote, ...]
    breath_by_breath: bool
    sheet: str | None
    encoding: str | None
    delimiter: str | None
    decimal_mark: DecimalMark
    zero_of_day_s: float | None = None


def first_rows(test_file: TestFile, count: int = 10) -> list[dict[str, Any]]:
    """The first intervals as read, for a look before anything is stored.

    Returns
    -------
    list of dict
        ``row``, ``end_s``, ``duration_s``, ``phase``, ``stage`` and each channel in its own unit; None where missing.
    """
    series = test_file.series
    answer = []
    for at in range(min(count, len(series))):
        phase, stage = int(series.phase[at]), int(series.stage[at])
        row: dict[str, Any] = {
            "row": test_file.row_numbers[at],
            "end_s": float(series.end_s[at]),
            "duration_s": float(series.duration_s[at]),
            "phase": PHASES[phase] if phase >= 0 else None,
            "stage": stage if stage >= 0 else None,
        }
        for key, values in series.channels.items():
            row[key] = float(values[at]) if np.isfinite(values[at]) else None
        answer.append(row)
    return answer


def read_test_file(
    data: bytes, filename: str, options: ReadOptions | None = None, limits: ReadLimits | None = None
) -> TestFile:
    """Read a CSV file or an XLSX workbook with one graded exercise test.

    Parameters
    ----------
    data : bytes
    filename : str
        For messages; the content decides what the file is.
    options : ReadOptions, optional
    limits : ReadLimits, optional

    Returns
    -------
    TestFile

    Raises
    ------
    RefusedFile
        What is ambiguous (a question with the column and the choices), what cannot be (row and column).
    TooLarge
        More bytes, rows, columns or cells than the limits allow.
    UnsupportedMediaType
        Another kind of file.
    """
    options, limits = options or ReadOptions(), limits or ReadLimits()
    check_bytes(data, limits)
    if options.rows is not None and not options.rows[0] < options.rows[1]:
        raise RefusedFile(
            "The first second of the chosen part must lie before the last.",
            (Place("options.rows", "Give [first_s, last_s].", value=list(options.rows)),),
        )
    if is_workbook(data):
        sheet = _choose_sheet(read_workbook(data, limits), options)
    else:
        if options.sheet is not None:
            raise RefusedFile(
                f"'{filename}' is a text file and has no sheets.",
                (Place("options.sheet", "Leave out the option sheet.", value=options.sheet),),
            )
        sheet = read_text(data, limits, lambda rows: header_score(rows, options.columns))
    return _Reader(sheet, options, limits).read()


def _choose_sheet(sheets: dict[str, SheetReader], options: ReadOptions) -> Sheet:
    if options.sheet is not None:
        if options.sheet not in sheets:
            raise RefusedFile(
                f"The workbook has no sheet '{options.sheet}'.",
                (Place("options.sheet", "Its sheets: " + ", ".join(sheets) + ".", value=options.sheet),),
            )
        return sheets[options.sheet](None)
    if len(sheets) == 1:
        (reader,) = sheets.values()
        sheet = reader(None)
        if all(is_blank(cell) for row in sheet.rows for cell in row):
            raise _empty_workbook()
        return sheet
    # A look at the beginning of each is enough to see which holds a test.
    read = [reader(HEADER_WITHIN_ROWS + 10) for reader in sheets.values()]
    with_test = [sheet for sheet in read if header_score(sheet.rows, options.columns) >= 1000]
    if len(with_test) > 1:
        names = [f"'{sheet.name}'" for sheet in with_test]
        raise RefusedFile(
            f"Several sheets look like a test: {', '.join(names)}. Which one?",
            (
                Place(
                    "options.sheet",
                    "Answer with the option sheet, and import the others as tests of their own.",
                ),
            ),
        )
    filled = [sheet for sheet in read if any(not is_blank(cell) for row in sheet.rows for cell in row)]
    if not filled:
        raise _empty_workbook()
    return sheets[(with_test or filled)[0].name or ""](None)


def _empty_workbook() -> RefusedFile:
    return RefusedFile("The workbook is empty.", (Place("file", "It holds no table. Export it again."),))


class _Reader:
    """The steps from one sheet to a test; each may refuse."""

    def __init__(self, sheet: Sheet, options: ReadOptions, limits: ReadLimits) -> None:
        self.sheet, self.options, self.limits = sheet, options, limits
        self.layout: Layout = find_layout(sheet, options)
        self.body = sheet.rows[self.layout.first_row :]
        self.of_day = False
        self.zero_of_day_s: float | None = None
        self.findings: list[Finding] = []
        self.reported: dict[int, ReadColumn] = {}
        self.cells: dict[int, list[Any]] = {
            column.index: _cells(self.body, column.index)
            for column in self.layout.columns
            if column.measure is not None
        }
        numeric = [
            cell
            for column in self.layout.columns
            if column.measure is not None and column.measure.role != "text"
            for cell in self.cells[column.index][:2000]
        ]
        self.mark = find_decimal_mark(numeric, sheet.delimiter, options.decimal_mark)

    # -- rows --

    def row_number(self, at: int) -> int:
        """File row of a row of the body."""
        return self.layout.first_row + at + 1

    def read(self) -> TestFile:
        """Everything, in the order in which a refusal helps most."""
        main, keep, times = self._data_rows()
        self._check_width(keep)
        keep = self._chosen_part(main, keep, times)
        rows = (keep + (self.layout.first_row + 1)).tolist()
        intervals, keep, rows = self._intervals(main, keep, rows)
        self.findings += intervals.findings
        read = self._values(keep, rows)
        channels, derived, noted = self._sorted(read, rows)
        phase, stage = self._phases(keep, rows)
        series = Series(
            end_s=intervals.end_s,
            duration_s=intervals.duration_s,
            channels=channels,
            phase=phase,
            stage=stage,
            excluded=np.zeros(intervals.end_s.size, dtype=np.bool_),
        )
        self.findings += checks.derived(derived, channels, self.options.body_mass_kg)
        stage_notes, about_notes = notes.stage_notes(
            self._texts(keep), noted, intervals.end_s, phase, stage, rows
        )
        self.findings += about_notes
        self._unused()
        return TestFile(
            series=series,
            columns=tuple(self.reported[index] for index in sorted(self.reported)),
            row_numbers=tuple(rows),
            findings=tuple(self.findings),
            stage_notes=stage_notes,
            breath_by_breath=checks.looks_like_breaths(intervals.duration_s),
            sheet=self.sheet.name,
            encoding=self.sheet.encoding,
            delimiter=self.sheet.delimiter,
            decimal_mark=self.mark,
            zero_of_day_s=self.zero_of_day_s,
        )

    def _columns_of(self, name: str) -> list[Column]:
        return [c for c in self.layout.columns if c.measure is not None and c.measure.name == name]

    def _main_clock(self) -> Column:
        for name in ("end", "start", "time", "clock_time", "duration"):
            found = self._columns_of(name)
            if found:
                return found[0]
        headers = ", ".join(f"'{column.header}'" for column in self.layout.columns)
        raise RefusedFile(
            f"Which column holds the time? The header in row {self.layout.header_row + 1} has none that says so.",
            (
                Place(
                    "file",
                    f'Name it with the option columns, for example {{"...": {{"quantity": "time", "unit": "s"}}}}. '
                    f"Columns: {headers}.",
                    row=self.layout.header_row + 1,
                ),
            ),
        )

    def _data_rows(self) -> tuple[Column, Indices, Times]:
        """Which rows are intervals: those with a time. What else stands there is said or refused."""
        main = self._main_clock()
        times = to_times(self.cells[main.index], self.mark)
        has_time = times.written > 0
        faults = [
            Place(
                "file",
                f"'{as_text(self.cells[main.index][at])[:60]}' {why}.",
                value=as_text(self.cells[main.index][at])[:60],
                row=self.row_number(at),
            )
            for at, why in times.faults
        ]
        keep = np.flatnonzero(has_time)
        if not keep.size and not faults:
            self._no_rows(main)
        if keep.size > self.limits.max_rows:
            raise TooLarge(
                f"The file has {keep.size:,} rows of data; at most {self.limits.max_rows:,} are read.",
                (
                    Place(
                        "file",
                        "Split the file, or export averages.",
                        row=self.row_number(self.limits.max_rows),
                    ),
                ),
            )
        faults += [
            Place(
                "file",
                "A time cannot be negative.",
                float(times.values[at]),
                self.row_number(int(at)),
                main.header,
            )
            for at in np.flatnonzero(has_time & (times.values < 0))
        ]
        faults += self._other_rows(main, times, has_time)
        if faults:
            located = [
                Place(place.location, place.message, place.value, place.row, main.header)
                for place in sorted(faults, key=lambda place: place.row if isinstance(place.row, int) else 0)
            ]
            raise clock.refused_rows(f"Column '{main.header}' holds times that cannot be.", located)
        return main, keep, times

    def _check_width(self, keep: Indices) -> None:
        """In a text file a row wider than the header means that cells were split where they should not be."""
        if self.sheet.delimiter is None:
            return
        width = len(self.sheet.rows[self.layout.header_row])
        wide = [
            at
            for at in keep.tolist()
            if len(self.body[at]) > width and any(not is_blank(cell) for cell in self.body[at][width:])
        ]
        if wide:
            raise clock.refused_rows(
                "Rows have more cells than the header.",
                [
                    Place(
                        "file",
                        f"{len(self.body[at])} cells, but the header has {width}. Decimal commas between commas? Export with "
                        "semicolons or decimal points.",
                        row=self.row_number(at),
                    )
                    for at in wide
                ],
            )

    def _no_rows(self, main: Column) -> None:
        raise RefusedFile(
            f"No row below the header (row {self.layout.header_row + 1}) holds a time in column '{main.header}'.",
            (Place("file", "The file has a header and no data. Export it again.", column=main.header),),
        )

    def _other_rows(self, main: Column, times: Times, has_time: Bools) -> list[Place]:
        """Rows without a time: blank, a repeated header, text and summaries; or a fault."""
        left_out: list[int] = []
        faults: list[Place] = []
        kept = np.flatnonzero(has_time)
        faulty = {at for at, _ in times.faults}
        header = self.sheet.rows[self.layout.header_row]
        units = self.sheet.rows[self.layout.units_row] if self.layout.units_row is not None else None
        measured = [
            c.index
            for c in self.layout.columns
            if c.measure is not None and c.measure.role in {"channel", "derived"}
        ]
        for at in np.flatnonzero(~has_time):
            row = self.body[at]
            if int(at) in faulty or all(is_blank(cell) for cell in row):
                continue
            if same_row(row, header) or (units is not None and same_row(row, units)):
                continue
            between = kept.size > 0 and kept[0] < at < kept[-1]
            if between and self._looks_measured(main, int(at), measured):
                faults.append(Place("file", "The row has values but no time.", row=self.row_number(int(at))))
            else:
                left_out.append(int(at))
        self._say_left_out(left_out)
        return faults

    def _looks_measured(self, main: Column, at: int, measured: list[int]) -> bool:
        text = as_text(self.cells[main.index][at])
        if any(isinstance(cell, str) and read_summary_word(cell) for cell in self.body[at]):
            return False
        numbers = sum(
            not isinstance(value := to_number(self.cells[index][at], self.mark), str) and value == value  # noqa: PLR0124
            for index in measured
        )
        words = text.casefold() not in MISSING and not any(sign.isdigit() for sign in text)
        return numbers > 0 and not words

    def _say_left_out(self, left_out: list[int]) -> None:
        if not left_out:
            return
        shown = []
        for at in left_out[:5]:
            words = next((as_text(cell) for cell in self.body[at] if not is_blank(cell)), "")
            shown.append(f"row {self.row_number(at)} ('{words[:40]}')")
        more = f" and {len(left_out) - 5} more" if len(left_out) > 5 else ""
        self.findings.append(
            finding(
                "trailing_rows_not_read",
                f"Not read as intervals: {', '.join(shown)}{more}.",
                row=self.row_number(left_out[0]),
            )
        )

    def _chosen_part(self, main: Column, keep: Indices, times: Times) -> Indices:
        """The rows of one test: a clock that restarts is a question, unless the chosen seconds lie in one part."""
        values, _ = clock.seconds(main, times, keep, length=main.measure is MEASURES["duration"])
        ordered = np.cumsum(values[keep]) if main.measure is MEASURES["duration"] else values[keep]
        self.of_day = main.measure is MEASURES["clock_time"] or _is_time_of_day(times, keep)
        if self.of_day:
            ordered = _past_midnight(ordered)
            ordered = ordered - ordered[0]
        edges = [0, *clock.restarts(ordered), keep.size]
        parts = list(pairwise(edges))
        if len(parts) > 1:
            first, last = self._one_of(parts, ordered, keep, main)
            keep, ordered = keep[first:last], ordered[first:last]
        faults = clock.order_faults(
            ordered, (keep + (self.layout.first_row + 1)).tolist(), main.header, self.body, keep
        )
        if faults:
            raise clock.refused_rows(
                f"The times in column '{main.header}' do not rise from row to row.", faults
            )
        return keep

    def _one_of(
        self, parts: list[tuple[int, int]], ordered: Floats, keep: Indices, main: Column
    ) -> tuple[int, int]:
        within = parts
        if self.options.rows is not None:
            low, high = self.options.rows
            within = [
                (first, last)
                for first, last in parts
                if np.any((ordered[first:last] > low) & (ordered[first:last] <= high))
            ]
            if len(within) == 1:
                return within[0]
        shown = [
            f"rows {self.row_number(int(keep[first]))} to {self.row_number(int(keep[last - 1]))}"
            for first, last in parts[:5]
        ] + (["..."] if len(parts) > 5 else [])
        again = (
            " The chosen seconds lie in more than one of them."
            if len(within) > 1 and self.options.rows
            else ""
        )
        raise RefusedFile(
            f"The clock in column '{main.header}' begins anew: are these {len(parts)} tests ({', '.join(shown)})?{again}",
            tuple(
                Place(
                    "file",
                    "Save each test to a file of its own, or choose with the option rows seconds that only one of them "
                    "has.",
                    value=float(ordered[first]),
                    row=self.row_number(int(keep[first])),
                    column=main.header,
                )
                for first, _ in parts[1:]
            ),
        )

    # -- times --

    def _seconds_of(self, name: str, keep: Indices) -> tuple[Floats | None, Column | None]:
        found = self._columns_of(name)
        answer: Floats | None = None
        first: Column | None = None
        for column in found:
            times = to_times(self.cells[column.index], self.mark)
            missing = [at for at in keep if times.written[at] == 0]
            if missing and first is not None:
                continue
            if missing:
                raise clock.refused_rows(
                    f"Column '{column.header}' has no time in rows that hold data.",
                    [
                        Place("file", "Fill in the time.", row=self.row_number(int(at)), column=column.header)
                        for at in missing
                    ],
                )
            values, scale = clock.seconds(column, times, keep, length=name == "duration")
            if answer is None:
                answer, first = values[keep], column
                quantity = "time" if name == "clock_time" else name
                self._report(column, quantity, column.unit_text or ("s" if scale == 1.0 else None), scale)
                if column.unit_text is None and scale == 1.0:
                    self.findings.append(
                        finding(
                            "unit_assumed_by_trade",
                            f"Column '{column.header}' has no unit; only seconds make a test of its numbers.",
                            column=column.header,
                        )
                    )
            elif np.max(np.abs(values[keep] - answer)) > 1.0:
                other = first.header if first is not None else ""
                raise RefusedFile(
                    f"Columns '{other}' and '{column.header}' are both times and disagree. Which one counts?",
                    (Place("file", "Set the other to null in the option columns.", column=column.header),),
                )
        return answer, first

    def _intervals(
        self, main: Column, keep: Indices, rows: list[int]
    ) -> tuple[clock.Intervals, Indices, list[int]]:
        end, _ = self._seconds_of("end", keep)
        start, _ = self._seconds_of("start", keep)
        duration, _ = self._seconds_of("duration", keep)
        undecided: str | None = None
        if end is None and start is None:
            plain, column = self._seconds_of("time", keep)
            if plain is None:
                plain, column = self._seconds_of("clock_time", keep)
            if plain is not None and column is not None:
                plain = self._from_first(plain, column, keep)
                marks = self.options.time_marks or column.marks
                undecided = "end" if marks is None else None
                start, end = (plain, end) if marks == "start" else (start, plain)
        intervals = clock.build(
            start, end, duration, plain_marks=undecided, header=main.header, options=self.options, rows=rows
        )
        return self._selected(intervals, keep, rows)

    def _from_first(self, times: Floats, column: Column, keep: Indices) -> Floats:
        """Instants and times of day are counted from the beginning of the first interval."""
        cell = self.cells[column.index][int(keep[0])]
        if not self.of_day:
            return times
        times = _past_midnight(times)
        first = times[0] - (times[1] - times[0]) if times.size > 1 else times[0]
        if (self.options.time_marks or column.marks) == "start":
            first = times[0]
        self.findings.append(
            finding(
                "clock_time_counted_from_start",
                f"Column '{column.header}' holds times of day (first: {as_text(cell)}); seconds are counted from the "
                "beginning of the first interval.",
                column=column.header,
            )
        )
        self.zero_of_day_s = float(first) % 86400.0
        counted: Floats = times - first
        return counted

    def _selected(
        self, intervals: clock.Intervals, keep: Indices, rows: list[int]
    ) -> tuple[clock.Intervals, Indices, list[int]]:
        if self.options.rows is not None:
            low, high = self.options.rows
            end = intervals.end_s - self.options.offset_s
            start = end - intervals.duration_s
            inside = (start >= low - _EDGE_TOLERANCE_S) & (end <= high + _EDGE_TOLERANCE_S)
            if not inside.any():
                raise RefusedFile(
                    f"No interval lies between {low:g} and {high:g} s; the file runs from {start[0]:g} to {end[-1]:g} s.",
                    (
                        Place(
                            "options.rows",
                            "Choose seconds on the clock of the file.",
                            value=list(self.options.rows),
                        ),
                    ),
                )
            left_out = int((~inside).sum())
            if left_out:
                self.findings.append(
                    finding(
                        "rows_outside_selection",
                        f"{left_out} rows do not lie wholly between {low:g} and {high:g} s and were not read.",
                    )
                )
            keep, rows = keep[inside], [row for row, take in zip(rows, inside, strict=True) if take]
            intervals = clock.Intervals(
                intervals.end_s[inside], intervals.duration_s[inside], intervals.findings
            )
        if np.any(intervals.end_s < 0):
            raise RefusedFile(
                "With the offset, times would be negative.",
                (Place("options.offset_s", "Choose a larger offset.", value=self.options.offset_s),),
            )
        return intervals, keep, rows

    # -- values --

    def _values(self, keep: Indices, rows: list[int]) -> list[Values]:
        read: list[Values] = []
        faults: list[Place] = []
        for column in self.layout.columns:
            measure = column.measure
            if measure is None or measure.role in {"clock", "text"}:
                continue
            cells = self.cells[column.index]
            taken = cells if keep.size == len(cells) else [cells[at] for at in keep]
            found = read_values(column, measure, taken, self.mark, rows)
            faults += found.faults
            read.append(found)
        if faults:
            faults.sort(key=lambda place: place.row or 0)
            raise clock.refused_rows("The file holds values that cannot be read or cannot be.", faults)
        return read

    def _sorted(
        self, read: list[Values], rows: list[int]
    ) -> tuple[dict[str, Floats], dict[str, Values], dict[str, Values]]:
        """Channels to store, derived columns to compare, columns of stage notes; one column a quantity."""
        one: dict[str, Values] = {}
        for found in read:
            if not np.isfinite(found.values).any():
                self._report(found.column, found.key, found.unit, found.factor)
                self.findings.append(
                    finding(
                        "column_not_used",
                        f"Column '{found.column.header}' holds no value.",
                        column=found.column.header,
                    )
                )
                continue
            held = one.get(found.key)
            if held is None:
                one[found.key] = found
                self._report(found.column, found.key, found.unit, found.factor)
                self.findings += found.findings
                continue
            self._repeated(held, found, rows)
        if not any(key in CHANNELS or key.endswith("_ml_kg_min") for key in one):
            raise RefusedFile(
                "No column holds a measured quantity with a value.",
                (Place("file", "Name the columns with the option columns.", row=self.layout.header_row + 1),),
            )
        converted, findings = checks.conditions(one, self.options)
        self.findings += findings
        for key, values in converted.items():
            self._report(values.column, key, values.unit, values.factor)
        one = one | converted
        channels, used, findings = checks.stored_channels(one, self.options)
        self.findings += findings
        derived = {key: values for key, values in one.items() if key not in channels and key not in used}
        noted = {key: values for key, values in derived.items() if values.column.measure in _noted()}
        return channels, {key: values for key, values in derived.items() if key not in noted}, noted

    def _repeated(self, held: Values, found: Values, rows: list[int]) -> None:
        both = np.isfinite(held.values) & np.isfinite(found.values)
        apart = np.abs(held.values - found.values) > 0.01 * np.abs(held.values) + 1e-9
        differ = np.flatnonzero(both & apart)
        if differ.size * 20 > both.sum():
            at = int(differ[0])
            raise RefusedFile(
                f"Columns '{held.column.header}' and '{found.column.header}' are both {found.key} and disagree. Which "
                "one counts?",
                (
                    Place(
                        "file",
                        f"'{held.column.header}' gives {held.values[at]:g}, '{found.column.header}' {found.values[at]:g}. "
                        "Set one to null in the option columns.",
                        row=rows[at],
                        column=found.column.header,
                    ),
                ),
            )
        self._report(found.column, None, found.unit, None)
        self.findings.append(
            finding(
                "column_not_used",
                f"Column '{found.column.header}' repeats '{held.column.header}' and was left out.",
                column=found.column.header,
            )
        )

    # -- words --

    def _texts(self, keep: Indices) -> dict[str, tuple[Column, list[Any]]]:
        answer: dict[str, tuple[Column, list[Any]]] = {}
        for name in ("comment", "symptoms", "blood_pressure"):
            for column in self._columns_of(name)[:1]:
                answer[name] = (column, [self.cells[column.index][at] for at in keep])
                self._report(column, name, None, None)
        return answer

    def _phases(self, keep: Indices, rows: list[int]) -> tuple[NDArray[np.int8], NDArray[np.int64]]:
        size = len(keep)
        phase, stage = np.full(size, -1, dtype=np.int8), np.full(size, -1, dtype=np.int64)
        for column in self._columns_of("phase")[:1]:
            cells = [self.cells[column.index][at] for at in keep]
            phase, found_stage, findings = notes.phases(column, cells, rows, read_phase)
            self.findings += findings
            self._report(column, "phase", None, None)
            stage = found_stage if (found_stage >= 0).any() else stage
        for column in self._columns_of("stage")[:1]:
            cells = [self.cells[column.index][at] for at in keep]
            stage, words, findings = notes.stages(column, cells, rows, self.mark, read_phase)
            self.findings += findings
            self._report(column, "stage", None, None)
            phase = np.where(phase < 0, words, phase).astype(np.int8)
        return phase, stage

    # -- report --

    def _report(self, column: Column, quantity: str | None, unit: str | None, factor: float | None) -> None:
        source: Source = column.source  # type: ignore[assignment]  # a Column holds one of the three
        self.reported[column.index] = ReadColumn(column.header, column.index, quantity, unit, source, factor)

    def _unused(self) -> None:
        for column in self.layout.columns:
            if column.index in self.reported:
                continue
            self._report(column, None, column.unit_text, None)
            why = "is left out by the options" if column.chosen else "means nothing here"
            if column.measure is not None:
                why = f"repeats {quantity_name(column.measure).replace('_', ' ')}"
            if not all(is_blank(cell) for cell in _cells(self.body[:2000], column.index)):
                self.findings.append(
                    finding(
                        "column_not_used",
                        f"Column '{column.header}' {why}; it was not used.",
                        column=column.header,
                    )
                )


def _cells(rows: Sequence[list[Any]], index: int) -> list[Any]:
    """One column of a table whose rows may be ragged."""
    try:
        return [row[index] for row in rows]
    except IndexError:
        return [row[index] if index < len(row) else "" for row in rows]


def _is_time_of_day(times: Times, keep: Indices) -> bool:
    """Instants are; so are hours, minutes and seconds of which the first is an hour or later."""
    first = int(keep[0])
    return bool(times.written[first] == 5 or (times.written[first] >= 3 and times.values[first] >= 3600.0))


def _past_midnight(times: Floats) -> Floats:
    """A time of day that falls by almost a day has passed midnight."""
    falls = np.concatenate(([0.0], np.diff(times))) < -43200.0
    return times + 86400.0 * np.cumsum(falls)


def read_summary_word(cell: str) -> bool:
    """Whether a cell names a summary (peak, mean, threshold) rather than an interval."""
    return cell.strip().casefold().rstrip(".:") in _SUMMARY


#: Words beside which the numbers of a row are a summary.
_SUMMARY = frozenset(
    {
        "max",
        "maximum",
        "maximal",
        "peak",
        "mean",
        "average",
        "avg",
        "min",
        "minimum",
        "sd",
        "total",
        "sum",
        "summary",
    }
    | {"predicted", "vt1", "vt2", "at", "rcp", "lt", "mittelwert", "moyenne", "media", "gemiddelde"}
)


def _noted() -> tuple[Measure, ...]:
    return tuple(measure for measure in MEASURES.values() if measure.role == "note")
