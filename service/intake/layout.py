"""Where the table is in a sheet: its header, its units line, and what each column is."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.errors import Place, RefusedFile
from service.intake.measures import NAMEABLE, SAME, Measure
from service.intake.numerals import as_text, is_blank, to_time
from service.intake.options import ColumnChoice, ReadOptions, VolumeCondition
from service.intake.sheets import Rows, Sheet
from service.intake.terms import HeaderReading, RpeScale, UnitReading, plain, read_header, read_unit_text
from service.intake.units import parse_unit

#: How far down the header is looked for, and how far below it the units line.
HEADER_WITHIN_ROWS = 200
_CLOCKS = frozenset({"time", "start", "end", "duration", "clock_time"})


@dataclass(frozen=True, slots=True)
class Column:
    """One column before its values are read.

    Attributes
    ----------
    index : int
        From 0.
    header : str
        As in the file; the second of a name has `` #2`` behind it.
    measure : Measure or None
    unit : str or None
        Parsed.
    unit_text : str or None
        As written; set while `unit` is None where the unit is not known.
    source : {"header", "units_row", "option"}
    condition : {"btps", "atps", "stpd"} or None
    marks, rpe_scale
        What the header says beside the unit.
    chosen : bool
        Whether the options name the column, also where they leave it out.
    """

    index: int
    header: str
    measure: Measure | None
    unit: str | None = None
    unit_text: str | None = None
    source: str = "header"
    condition: VolumeCondition | None = None
    marks: str | None = None
    rpe_scale: RpeScale | None = None
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class Layout:
    """The place of the table.

    Attributes
    ----------
    header_row : int
        Index of the header.
    units_row : int or None
    columns : tuple of Column
    """

    header_row: int
    units_row: int | None
    columns: tuple[Column, ...]

    @property
    def first_row(self) -> int:
        """Index of the first row below header and units."""
        return (self.header_row if self.units_row is None else self.units_row) + 1


def header_score(rows: Rows, chosen: Mapping[str, ColumnChoice | None]) -> float:
    """How much the best row of `rows` looks like a header; 0 where none does."""
    return max((_score(row, chosen) for row in rows[:HEADER_WITHIN_ROWS]), default=0.0)


def _score(row: list[Any], chosen: Mapping[str, ColumnChoice | None]) -> float:
    if len(row) < 2:
        return 0.0
    found: set[str] = set()
    texts = 0
    for cell in row:
        if not isinstance(cell, str) or not cell.strip():
            continue
        texts += 1
        text = _clean(cell)
        choice = chosen.get(text)
        if choice is not None and choice.quantity in NAMEABLE:
            found.add(NAMEABLE[choice.quantity].name)
            continue
        reading = read_header(text)
        if reading is not None:
            found.add(reading.measure.name)
    timed = bool(found & _CLOCKS)
    if len(found) < 2:
        return 0.0
    # A time column weighs more than any number of other terms: a block of results above has none.
    return len(found) + (1000 if timed else 0) + texts / 10_000


def _clean(cell: Any) -> str:
    return " ".join(as_text(cell).replace("\ufeff", "").split())


def find_layout(sheet: Sheet, options: ReadOptions) -> Layout:
    """The header, the units line and the columns of a sheet.

    Raises
    ------
    RefusedFile
        There is no header, a chosen column is missing, or a choice names no quantity.
    """
    scores = [_score(row, options.columns) for row in sheet.rows[:HEADER_WITHIN_ROWS]]
    best = max(scores, default=0.0)
    if best <= 0:
        raise RefusedFile(
            "No row looks like the header of a test: at least a time and one measured quantity are needed.",
            (
                Place(
                    "file",
                    "Name the columns in the header by terms of the trade (time, VO2, VCO2, VE, HR, power), or say "
                    "what they are with the option columns.",
                ),
            ),
        )
    header_row = scores.index(best)
    names = _unique([_clean(cell) for cell in sheet.rows[header_row]])
    _check_choices(names, options)
    units_row = _find_units_row(sheet.rows, header_row)
    units = sheet.rows[units_row] if units_row is not None else []
    columns = tuple(
        _column(index, name, units[index] if index < len(units) else "", options)
        for index, name in enumerate(names)
        if name
    )
    return Layout(header_row, units_row, columns)


def _unique(names: list[str]) -> list[str]:
    seen: Counter[str] = Counter()
    answer = []
    for name in names:
        seen[name] += 1
        answer.append(f"{name} #{seen[name]}" if name and seen[name] > 1 else name)
    return answer


def _check_choices(names: list[str], options: ReadOptions) -> None:
    faults = []
    for header, choice in options.columns.items():
        if header not in names:
            faults.append(
                Place(
                    f"options.columns.{header}",
                    "The file has no column of this name. Its columns: "
                    + ", ".join(name for name in names if name)
                    + ".",
                    value=header,
                )
            )
        elif choice is not None and choice.quantity not in NAMEABLE:
            faults.append(
                Place(
                    f"options.columns.{header}.quantity",
                    "No such quantity in a file. Use one of: " + ", ".join(sorted(NAMEABLE)) + ".",
                    value=choice.quantity,
                    column=header,
                )
            )
        elif choice is not None and choice.unit is not None and parse_unit(choice.unit) is None:
            faults.append(
                Place(
                    f"options.columns.{header}.unit",
                    "This unit is not known. " + _units_of(NAMEABLE[choice.quantity]),
                    value=choice.unit,
                    column=header,
                )
            )
    if faults:
        raise RefusedFile("The option columns does not fit the file.", tuple(faults))


def _units_of(measure: Measure) -> str:
    if measure.role == "clock":
        return "Use s, min, h, d (fraction of a day), mm:ss or h:mm:ss."
    return "Use one of: " + ", ".join(unit.text for unit in measure.units) + "."


def _find_units_row(rows: Rows, header_row: int) -> int | None:
    """The line of units under the header: words that are units, and no number."""
    for index in range(header_row + 1, min(header_row + 3, len(rows))):
        cells = [cell for cell in rows[index] if not is_blank(cell)]
        if not cells:
            continue
        if not all(isinstance(cell, str) for cell in cells):
            return None
        readings = [_unit_cell(cell) for cell in cells]
        known = sum(
            (reading.unit is not None or reading.condition is not None) and cell.strip("[]() ") != "1"
            for reading, cell in zip(readings, cells, strict=True)
        )
        return index if known * 2 >= len(cells) and not any(_is_value(cell) for cell in cells) else None
    return None


def _is_value(cell: str) -> bool:
    bare = cell.strip("[]() ")
    if bare == "1" or parse_unit(cell) is not None:
        return False
    time = to_time(bare, ".")
    return (time is not None and not isinstance(time[0], str)) or bare[:1].isdigit()


def _unit_cell(cell: Any) -> UnitReading:
    return UnitReading() if is_blank(cell) else read_unit_text(_clean(cell).strip("[](){}<>"))


def _column(index: int, name: str, unit_cell: Any, options: ReadOptions) -> Column:
    plain_name = name.rsplit(" #", 1)[0] if " #" in name else name
    reading = read_header(plain_name)
    below = _unit_cell(unit_cell)
    chosen = name in options.columns
    choice = options.columns.get(name)
    if chosen and choice is None:
        return Column(index, name, None, source="option", chosen=True)
    if choice is not None:
        return _chosen_column(index, name, choice, reading, below)
    if reading is None:
        return Column(index, name, None, unit_text=below.unit_text)
    return _with_units(index, name, reading.measure, reading, below)


def _with_units(
    index: int,
    name: str,
    measure: Measure,
    reading: HeaderReading,
    below: UnitReading,
    *,
    chosen: bool = False,
) -> Column:
    from_row = below.unit is not None and (reading.unit is None or not _says_more(reading))
    own, other = (below, reading) if from_row else (reading, below)
    if reading.unit is not None and below.unit is not None and not from_row and reading.unit != below.unit:
        # Header and units line contradict each other: no unit is known, which becomes a question.
        own = UnitReading(unit_text=f"{reading.unit_text} or {below.unit_text}")
        reading = HeaderReading(
            measure, None, own.unit_text, reading.condition, reading.marks, reading.rpe_scale
        )
    unit_text = own.unit_text if own.unit is not None else (reading.unit_text or below.unit_text)
    return Column(
        index,
        name,
        measure,
        unit=own.unit,
        unit_text=unit_text,
        source="units_row" if from_row else "header",
        condition=reading.condition or below.condition,
        marks=reading.marks or below.marks,
        rpe_scale=own.rpe_scale or other.rpe_scale,
        chosen=chosen,
    )


def _says_more(reading: HeaderReading) -> bool:
    """A unit written in the header counts before the units line; one implied by the name does not."""
    return reading.unit_text is not None


def _chosen_column(
    index: int, name: str, choice: ColumnChoice, reading: HeaderReading | None, below: UnitReading
) -> Column:
    measure = NAMEABLE[choice.quantity]
    base = reading or HeaderReading(measure)
    found = _with_units(index, name, measure, base, below, chosen=True)
    unit_text = choice.unit
    if unit_text is None and found.unit is None and measure.targets:
        at = measure.keys.index(choice.quantity) if choice.quantity in measure.keys else 0
        unit_text = measure.targets[at]
    if unit_text is None:
        return Column(**{**_fields(found), "source": "option"})
    return Column(
        **{**_fields(found), "unit": parse_unit(unit_text), "unit_text": unit_text, "source": "option"}
    )


def _fields(column: Column) -> dict[str, Any]:
    return {name: getattr(column, name) for name in Column.__slots__}


def quantity_name(measure: Measure) -> str:
    """The name under which two columns are the same quantity."""
    return SAME.get(measure.name, measure.name)


def same_row(first: list[Any], second: list[Any]) -> bool:
    """Whether two rows hold the same texts, as a repeated header does."""
    return [plain(as_text(cell)) for cell in first] == [plain(as_text(cell)) for cell in second]
