"""From columns of times to the end and length of each interval, in seconds."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.analysis.series import Floats
from service.errors import Place, RefusedFile
from service.findings import Finding, finding
from service.intake.layout import Column
from service.intake.numerals import Times
from service.intake.options import ReadOptions
from service.intake.units import factor, is_notation, parse_unit

#: A plain number without a unit is taken for seconds from here on: as minutes it would be 90 minutes.
_SECONDS_FROM_SPAN = 90.0
#: Longer than any test is recorded; shorter than any.
_LONGEST_S, _LONGEST_STEP_S, _SHORTEST_S = 12 * 3600.0, 600.0, 2.0
_OVERLAP_TOLERANCE_S = 0.011
_HOW = (
    'Answer with the option columns, for example {"%s": {"quantity": "%s", "unit": "s"}}; '
    "choices: s, min, h, d (fraction of a day), mm:ss, h:mm:ss."
)


def _question(column: Column, message: str, quantity: str = "time") -> RefusedFile:
    return RefusedFile(
        message,
        (Place("file", _HOW % (column.header, quantity), column=column.header, value=column.unit_text),),
    )


def seconds(
    column: Column, times: Times, keep: NDArray[np.intp], *, length: bool = False
) -> tuple[Floats, float | None]:
    """The times of a column in seconds, and the factor that made them so.

    Parameters
    ----------
    column : Column
    times : Times
    keep : ndarray of int
        Indices of the rows that hold data.
    length : bool
        Whether the column holds durations, whose span says nothing about the unit.

    Returns
    -------
    values : ndarray of float, shape (n,)
        Of all rows.
    factor : float or None
        None where the times are written in a notation.

    Raises
    ------
    RefusedFile
        Nothing in the file tells one unit from another.
    """
    kinds = {int(kind) for kind in np.unique(times.written[keep])} - {0}
    values = times.values
    if 1 in kinds and len(kinds) > 1 and not np.any(values[keep][times.written[keep] == 1]):
        kinds -= {1}  # a zero that lost its format
    if len(kinds) > 1 and kinds != {2, 3}:
        raise _question(
            column, f"Column '{column.header}' mixes plain numbers and written times.", column_role(column)
        )
    if column.unit_text is not None and column.unit is None:
        raise _question(
            column,
            f"The unit '{column.unit_text}' of column '{column.header}' is not known.",
            column_role(column),
        )
    if kinds <= {1}:
        scale = _scale(column, values[keep], length=length)
        return values * scale, scale
    if kinds == {4}:
        return _spreadsheet_times(column, values, keep), None
    hour_minute = column.unit == "h:mm" or column.unit == parse_unit("h")
    if hour_minute and 2 in kinds:
        values = np.where(times.written == 2, values * 60.0, values)
    return values, None


def column_role(column: Column) -> str:
    """The quantity a time column is named as in the options."""
    name = column.measure.name if column.measure is not None else "time"
    return "time" if name == "clock_time" else name


def _scale(column: Column, values: Floats, *, length: bool) -> float:
    finite = values[np.isfinite(values)]
    span = float(finite.max() - finite.min()) if finite.size else 0.0
    if column.unit is None:
        if length:
            if finite.size and float(np.median(finite)) >= 1.5:
                return 1.0
        elif span >= _SECONDS_FROM_SPAN:
            return 1.0
        raise _question(
            column,
            f"Column '{column.header}' has no unit and its numbers ({_some(finite)}) could be seconds, minutes or "
            "fractions of a day. Which?",
            column_role(column),
        )
    if is_notation(column.unit):
        if finite.size and float(finite.max()) < 0.5:
            return 86400.0  # a spreadsheet's time that lost its format
        raise _question(
            column,
            f"Column '{column.header}' is said to be written as {column.unit_text} but holds plain numbers "
            f"({_some(finite)}). In which unit?",
            column_role(column),
        )
    scale = factor(column.unit, "second")
    if scale is None:
        raise _question(column, f"'{column.unit_text}' is no unit of time.", column_role(column))
    step = float(np.median(np.diff(finite))) * scale if finite.size > 1 else 0.0
    # Seconds may run long at a high rate; a test of half a day in minutes is a test in seconds.
    long = step > _LONGEST_STEP_S or (scale != 1.0 and span * scale > _LONGEST_S)
    short = finite.size > 2 and span * scale < _SHORTEST_S
    if not length and (long or short):
        raise _question(
            column,
            f"Column '{column.header}' is said to be in {column.unit_text} but holds {_some(finite)}: that would be a "
            f"test of {span * scale:,.3g} s. Is it in another unit?",
            column_role(column),
        )
    return scale


def _some(values: Floats) -> str:
    if not values.size:
        return "none"
    shown = [f"{value:g}" for value in values[:3]]
    return ", ".join(shown) + (f" ... {values[-1]:g}" if values.size > 3 else "")


def _spreadsheet_times(column: Column, values: Floats, keep: NDArray[np.intp]) -> Floats:
    """Times of a spreadsheet; 1:30 typed for a minute and a half is stored there as an hour and a half."""
    kept = values[keep]
    whole_minutes = bool(np.all(np.abs(kept % 60.0) < 1e-3))
    if not whole_minutes or float(np.max(kept, initial=0.0)) <= 3 * 3600.0:
        return values
    if column.unit == "mm:ss":
        return values / 60.0
    if column.unit in {"h:mm", "h:mm:ss"}:
        return values
    raise _question(
        column,
        f"Column '{column.header}' holds times of a spreadsheet up to {kept.max() / 3600:.1f} hours, all whole minutes. "
        "Were minutes and seconds typed and taken for hours and minutes?",
        column_role(column),
    )


@dataclass(frozen=True, slots=True)
class Intervals:
    """End and length of each interval in seconds, and what was inferred."""

    end_s: Floats
    duration_s: Floats
    findings: tuple[Finding, ...]


def order_faults(
    times: Floats, rows: Sequence[int], header: str, body: Sequence[Sequence[Any]], keep: NDArray[np.intp]
) -> list[Place]:
    """Times that stand still or run backwards, as places.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
    rows : sequence of int
        File row of each.
    body : sequence of sequence
        All rows of the table, to tell a repeated row from a repeated time.
    keep : ndarray of int
        Index into `body` of each time.
    """
    faults = []
    for index in np.flatnonzero(np.diff(times) <= 0) + 1:
        at, before = int(index), int(index) - 1
        if times[at] == times[before]:
            message = (
                f"This row repeats row {rows[before]}. Remove one of the two."
                if list(body[keep[at]]) == list(body[keep[before]])
                else f"The time is that of row {rows[before]} although the values differ. Give each row its own time."
            )
        else:
            message = f"The time runs backwards: row {rows[before]} is at {times[before]:g} s. Sort or correct the rows."
        faults.append(Place("file", message, value=float(times[at]), row=rows[at], column=header))
    return faults


def restarts(times: Floats) -> list[int]:
    """Indices at which the clock begins anew: the first rows of a second and further test.

    A restart goes back to where the file itself began, after at least three rows and followed by at least
    three that rise; anything else that runs backwards is a fault of one row.
    """
    drops = [int(index) + 1 for index in np.flatnonzero(np.diff(times) < 0)]
    if not drops:
        return []
    edges = [0, *drops, times.size]
    step = float(np.median(np.abs(np.diff(times))))
    lengths = np.diff(edges)
    begins = [times[at] <= times[0] + 1.5 * step for at in drops]
    return drops if all(begins) and bool(np.all(lengths >= 3)) else []


def build(
    start: Floats | None,
    end: Floats | None,
    duration: Floats | None,
    *,
    plain_marks: str | None,
    header: str,
    options: ReadOptions,
    rows: Sequence[int],
) -> Intervals:
    """Intervals from what the file gives.

    Parameters
    ----------
    start, end, duration : ndarray of float or None
        In seconds; a plain time column is given as `start` or `end` by what it marks.
    plain_marks : {"end", "start"} or None
        Set where a plain time column was used and nothing says what it marks: taken as the end.
    """
    notes: list[Finding] = []
    if end is None and start is None:
        assert duration is not None  # noqa: S101 the caller found at least one clock column
        end = np.cumsum(duration)
    if plain_marks is not None:
        notes.append(_end_note(header, end))
    if end is not None and start is not None:
        duration = end - start
    elif end is not None and duration is None:
        _need_two(end, header)
        duration = np.diff(end, prepend=end[0] - (end[1] - end[0]))
        notes.append(_default_note(header))
    elif end is None and start is not None:
        if duration is None:
            _need_two(start, header)
            steps = np.diff(start)
            duration = np.append(steps, steps[-1])
            notes.append(_default_note(header))
        end = start + duration
    assert end is not None and duration is not None  # noqa: S101, PT018 one of the branches above
    _check_lengths(end, duration, rows, header)
    notes += _gaps(end, duration, rows, header)
    return Intervals(end + options.offset_s, duration, tuple(notes))


def _need_two(times: Floats, header: str) -> None:
    if times.size < 2:
        raise RefusedFile(
            "The file has one row and no duration, so nothing says how long it lasted.",
            (Place("file", "Add a column with the duration of the interval.", column=header),),
        )


def _end_note(header: str, end: Floats | None) -> Finding:
    message = f"Column '{header}' was taken as the end of each interval."
    if end is not None and end.size and end[0] == 0:
        return finding(
            "time_is_interval_end",
            message + " Its first time is 0, as where times mark the start: then import again "
            "and say that a time stands at the start of its interval (option time_marks).",
            severity="warning",
            column=header,
        )
    return finding("time_is_interval_end", message, column=header)


def _default_note(header: str) -> Finding:
    return finding(
        "default_duration",
        f"No durations in the file: each interval lasts from one time in '{header}' to the next.",
        column=header,
    )


def _check_lengths(end: Floats, duration: Floats, rows: Sequence[int], header: str) -> None:
    faults = [
        Place(
            "file",
            "The interval has no length; its duration must be above 0.",
            float(duration[at]),
            rows[at],
            header,
        )
        for at in np.flatnonzero(~(duration > 0)).tolist()
    ]
    start = end - duration
    faults += [
        Place(
            "file",
            f"The interval begins at {start[at]:g} s, before the one above it ends ({end[at - 1]:g} s). Overlapping "
            "averages cannot be kept as intervals: export them without overlap.",
            row=rows[at],
            column=header,
        )
        for at in (np.flatnonzero(start[1:] < end[:-1] - _OVERLAP_TOLERANCE_S) + 1).tolist()
    ]
    if faults:
        raise refused_rows("The durations of the file cannot be.", faults)


def _gaps(end: Floats, duration: Floats, rows: Sequence[int], header: str) -> list[Finding]:
    start = end - duration
    gap = start[1:] - end[:-1]
    found = np.flatnonzero(gap > np.maximum(0.1 * duration[1:], 0.05)) + 1
    notes = [
        finding(
            "gap_in_times",
            f"{gap[at - 1]:.3g} s before row {rows[at]} are not covered by any row.",
            row=rows[at],
            column=header,
        )
        for at in found[:10].tolist()
    ]
    if found.size > 10:
        notes.append(
            finding(
                "gap_in_times",
                f"{found.size - 10} more gaps, {gap.clip(0).sum():.3g} s in all.",
                column=header,
            )
        )
    return notes


#: More single faults than this help nobody.
MOST_PLACES = 50


def refused_rows(detail: str, faults: Sequence[Place]) -> RefusedFile:
    """A refusal with the first faults and the number of all."""
    more = f" The first {MOST_PLACES} of {len(faults):,} are listed." if len(faults) > MOST_PLACES else ""
    return RefusedFile(detail + more, tuple(faults[:MOST_PLACES]), {"fault_count": len(faults)})
