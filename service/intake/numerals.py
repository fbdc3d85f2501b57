"""Numbers and times as people write them, as arrays of float."""

import datetime as dt
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.analysis.series import Floats
from service.errors import Place, RefusedFile
from service.intake.options import DecimalMark

#: Marks of the trade and of spreadsheets for "no value"; the text NaN is not one of them.
MISSING = frozenset({"", "-", "--", "---", "–", "—", "na", "n/a", "n.a.", "n.d.", "nd"})
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity|∞|1\.#(?:ind|inf|qnan).*|#num!?)", re.IGNORECASE)
_COMMA = re.compile(r"[+-]?\d*,\d+")
_DOT = re.compile(r"[+-]?\d*\.\d+")
_THOUSANDS = {
    ",": re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+"),
    ".": re.compile(r"[+-]?[1-9]\d{0,2}(?:\.\d{3})+"),
}
_BOTH = {
    ",": re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+,\d+"),
    ".": re.compile(r"[+-]?\d{1,3}(?:,\d{3})+\.\d+"),
}
_SPACED = re.compile(r"(?<=\d)[ '’\u00a0\u202f](?=\d{3}(?:\D|$))")
_PLAIN_SIGNS = frozenset("0123456789+-.eE")
_CLOCK = re.compile(r"(?:(\d{1,4}):)?(\d{1,4}):(\d{1,2}(?:[.,]\d*)?)")
_NO_TIME = "is no time; write seconds, m:ss or h:mm:ss, one time a cell"
_STAMP = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?")


def as_text(cell: Any) -> str:
    """A cell as text, without the blanks around it."""
    return cell.strip() if isinstance(cell, str) else str(cell)


def is_blank(cell: Any) -> bool:
    """Whether a cell holds nothing."""
    return cell is None or (isinstance(cell, str) and not cell.strip())


def find_decimal_mark(cells: Iterable[Any], delimiter: str | None, given: DecimalMark | None) -> DecimalMark:
    """Whether a comma or a point is the decimal mark in the cells of a table.

    Raises
    ------
    RefusedFile
        Commas and points contradict each other, or every comma could as well part thousands.
    """
    if given is not None:
        return given
    commas: list[str] = []
    points: list[str] = []
    for cell in cells:
        if not isinstance(cell, str):
            continue
        text = _SPACED.sub("", cell.strip())
        if _BOTH[","].fullmatch(text):
            return ","
        if _BOTH["."].fullmatch(text):
            return "."
        if "," in text and (_COMMA.fullmatch(text) or _THOUSANDS[","].fullmatch(text)):
            commas.append(text)
        elif "." in text and (_DOT.fullmatch(text) or _THOUSANDS["."].fullmatch(text)):
            points.append(text)
    return _mark_of(commas, points, delimiter)


def _mark_of(commas: list[str], points: list[str], delimiter: str | None) -> DecimalMark:
    if not commas:
        return "."
    plain_comma = next((text for text in commas if not _THOUSANDS[","].fullmatch(text)), None)
    plain_point = next((text for text in points if not _THOUSANDS["."].fullmatch(text)), None)
    if plain_comma and plain_point:
        raise RefusedFile(
            f"Both '{plain_comma}' and '{plain_point}' stand in the file: is the comma or the point the decimal mark?",
            (Place("options.decimal_mark", "Use one decimal mark throughout the file.", value=plain_comma),),
        )
    if plain_comma:
        return ","
    # With commas between the cells, a comma inside a quoted cell parts thousands.
    if plain_point or (delimiter == "," and not points):
        return "."
    raise RefusedFile(
        f"Does '{commas[0]}' mean {commas[0].replace(',', '.')} or {commas[0].replace(',', '')}? Every comma in the "
        "file stands before three digits.",
        (Place("options.decimal_mark", "Answer with decimal_mark: ',' or '.'.", value=commas[0]),),
    )


@dataclass(frozen=True, slots=True)
class Numbers:
    """A column as numbers.

    Attributes
    ----------
    values : ndarray of float, shape (n,)
        NaN where the cell is blank or marked missing.
    faults : tuple of (int, str)
        Index and what is wrong with each cell that is not a number.
    """

    values: Floats
    faults: tuple[tuple[int, str], ...] = ()


def to_numbers(cells: Sequence[Any], mark: DecimalMark) -> Numbers:
    """The cells of a column as numbers."""
    fast = _all_plain(cells, mark)
    if fast is not None:
        return Numbers(fast)
    values = np.full(len(cells), np.nan)
    faults: list[tuple[int, str]] = []
    for index, cell in enumerate(cells):
        found = to_number(cell, mark)
        if isinstance(found, str):
            faults.append((index, found))
        else:
            values[index] = found
    return Numbers(values, tuple(faults))


def _all_plain(cells: Sequence[Any], mark: DecimalMark) -> Floats | None:
    """The column at once, where it holds only plain numbers and blanks."""
    try:
        joined = "".join(cells)
    except TypeError:
        return _all_floats(cells)
    if mark == ",":
        if "." in joined:
            return None
        joined = joined.replace(",", ".")
        cells = [cell.replace(",", ".") for cell in cells]
    if not _PLAIN_SIGNS.issuperset(set(joined)):
        return None
    try:
        values = np.array([float(cell) if cell else math.nan for cell in cells], dtype=np.float64)
    except ValueError:
        return None
    return None if np.isinf(values).any() else values


def _all_floats(cells: Sequence[Any]) -> Floats | None:
    if not {type(cell) for cell in cells} <= {float, int, str} or any(
        cell != "" for cell in cells if type(cell) is str
    ):
        return None
    values = np.array([math.nan if cell == "" else float(cell) for cell in cells], dtype=np.float64)
    blank = sum(cell == "" for cell in cells)
    return values if int(np.isfinite(values).sum()) == len(cells) - blank else None


def to_number(cell: Any, mark: DecimalMark) -> float | str:
    """One cell as a number, NaN where it is blank; a text says what is wrong."""
    if isinstance(cell, bool):
        return "holds a truth value, not a number"
    if isinstance(cell, (int, float)):
        return float(cell) if math.isfinite(cell) else "is not a finite number"
    if isinstance(cell, (dt.datetime, dt.date, dt.time, dt.timedelta)):
        return "holds a date or time where a number is expected (the format of the cell may have changed it)"
    text = as_text(cell)
    if text.casefold() in MISSING:
        return math.nan
    if _NOT_FINITE.fullmatch(text):
        return "is not a finite number; leave the cell empty where there is no value"
    text = _SPACED.sub("", text.replace("\u2212", "-"))
    other = "," if mark == "." else "."
    if other in text:
        grouped = text.split(mark, maxsplit=1)
        if not _THOUSANDS[other].fullmatch(grouped[0]) or (len(grouped) > 1 and other in grouped[1]):
            return f"is not a number with '{mark}' as the decimal mark"
        text = text.replace(other, "")
    text = text.replace(mark, ".")
    if not _NUMBER.fullmatch(text):
        return "is not a number; leave the cell empty where there is no value"
    value = float(text)
    return value if math.isfinite(value) else "is not a finite number"


@dataclass(frozen=True, slots=True)
class Times:
    """A column of times.

    Attributes
    ----------
    values : ndarray of float, shape (n,)
        Seconds where `written` is a notation or a time cell, else the plain number; NaN where there is none.
    written : ndarray of int8, shape (n,)
        0 none, 1 plain number, 2 mm:ss, 3 h:mm:ss, 4 a spreadsheet's time, 5 an instant.
    faults : tuple of (int, str)
        Cells that are neither a time nor words.
    words : frozenset of int
        Cells that hold words.
    """

    values: Floats
    written: NDArray[np.int8]
    faults: tuple[tuple[int, str], ...]
    words: frozenset[int]


def to_times(cells: Sequence[Any], mark: DecimalMark) -> Times:
    """The cells of a time column; what a plain number means is decided later."""
    plain = _all_plain(cells, mark)
    if plain is not None:
        return Times(plain, np.isfinite(plain).astype(np.int8), (), frozenset())
    values = np.full(len(cells), np.nan)
    written = np.zeros(len(cells), dtype=np.int8)
    faults: list[tuple[int, str]] = []
    words: set[int] = set()
    for index, cell in enumerate(cells):
        found = to_time(cell, mark)
        if found is None:
            continue
        value, how = found
        if isinstance(value, str):
            if how:
                faults.append((index, value))
            else:
                words.add(index)
            continue
        values[index], written[index] = value, how
    return Times(values, written, tuple(faults), frozenset(words))


def to_time(cell: Any, mark: DecimalMark) -> tuple[float | str, int] | None:
    """One cell as a time: value and how it was written; a text with 1 is a fault, with 0 words; None blank."""
    if isinstance(cell, dt.datetime):
        return cell.replace(tzinfo=dt.UTC).timestamp(), 5
    if isinstance(cell, dt.timedelta):
        return cell.total_seconds(), 4
    if isinstance(cell, dt.time):
        return cell.hour * 3600 + cell.minute * 60 + cell.second + cell.microsecond / 1e6, 4
    if not isinstance(cell, str):
        number = to_number(cell, mark)
        return number, 1
    text = cell.strip()
    if text.casefold() in MISSING:
        return None
    if ":" in text:
        return _clock(text)
    number = to_number(text, mark)
    if not isinstance(number, str):
        return number, 1
    if _NOT_FINITE.fullmatch(text):
        return "is not a finite number", 1
    return (text, 0) if re.search(r"[^\W\d_]", text) else (_NO_TIME, 1)


def _clock(text: str) -> tuple[float | str, int]:
    if _STAMP.fullmatch(text):
        return dt.datetime.fromisoformat(text.replace(" ", "T")).replace(tzinfo=dt.UTC).timestamp(), 5
    found = _CLOCK.fullmatch(text.lstrip("+"))
    if found is None:
        return (_NO_TIME, 1) if not re.search(r"[^\W\d_]{2}", text) else (text, 0)
    hours, minutes, seconds = found.groups()
    second = float(seconds.replace(",", "."))
    if second >= 60 or (hours is not None and int(minutes) >= 60):
        return "is no time: minutes and seconds end at 59", 1
    value = int(hours or 0) * 3600 + int(minutes) * 60 + second
    return value, 3 if hours is not None else 2
