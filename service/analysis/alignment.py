"""How far the clock of a data file is off the clock of the sheet that was filled in during the test.

Each way gives seconds to add to the times of the file, and how sure it is. None is ever applied by itself: a person
looks at the chart and decides.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from service.analysis.marks import Marks, counted_rows
from service.analysis.series import Floats, Series, StageNote

Basis = Literal["heart_rate", "exercise", "clock"]

# Project defaults.
_LEAST_NOTES = 4
_LEAST_INSIDE = 0.75  # of the notes that hold a heart rate
_LEAST_RANGE_BPM = 15.0  # a heart rate that hardly changes fits anywhere
_WORST_FIT_BPM = 10.0
_READING_BPM = 2.0  # a rate is read off a display, and rounded
_WIDEST_S = 120.0
_STEP_S = 1.0
_MEAN_S = 15.0
_ENDS_AGREE_S = 15.0
_FURTHEST_CLOCK_S = 3 * 3600.0
_DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Alignment:
    """One proposal for the seconds to add to the times of the file.

    Attributes
    ----------
    basis : {"heart_rate", "exercise", "clock"}
    offset_s : float or None
        None where this way gives none.
    low_s, high_s : float or None
        Offsets that agree about as well; None where nothing says how far off it may be.
    reason : str
        What it rests on and how sure it is, or why there is none.
    """

    basis: Basis
    offset_s: float | None
    reason: str
    low_s: float | None = None
    high_s: float | None = None


def from_heart_rates(series: Series, notes: Sequence[StageNote]) -> Alignment:
    """The offset at which the heart rates noted on the sheet lie closest to those of the file.

    Parameters
    ----------
    series : Series
        On the clock of the file.
    notes : sequence of StageNote
        On the clock of the sheet; those with a time and a heart rate count.

    Returns
    -------
    Alignment

    Notes
    -----
    Least squares over offsets of whole seconds. The range holds the offsets whose sum of squares is within what chance
    allows of the least (95 %, F of 1 and n - 1), with a reading error of at least 2 beats/min (default of this project).
    """
    noted = [
        (note.time_s, note.heart_rate_bpm)
        for note in notes
        if note.time_s is not None and note.heart_rate_bpm is not None
    ]
    if len(noted) < _LEAST_NOTES:
        return _none(
            "heart_rate",
            f"{len(noted)} notes of the sheet hold a time and a heart rate; at least {_LEAST_NOTES} are needed to compare them "
            "with the file.",
        )
    at, beats = np.array(noted, dtype=np.float64).T
    spread = float(np.ptp(beats))
    if spread < _LEAST_RANGE_BPM:
        return _none(
            "heart_rate",
            f"The heart rates of the sheet differ by {spread:.0f} beats/min only, so they fit the file anywhere.",
        )
    times, rates = _heart_rate_of(series)
    if times.size < _LEAST_NOTES:
        return _none("heart_rate", "The file holds no heart rate to compare the sheet with.")
    offsets = np.arange(np.floor(at.min() - times[-1]), np.ceil(at.max() - times[0]) + _STEP_S, _STEP_S)
    on_file = at[None, :] - offsets[:, None]
    inside = (on_file >= times[0]) & (on_file <= times[-1])
    apart = np.where(inside, np.interp(on_file, times, rates) - beats[None, :], 0.0)
    n = inside.sum(axis=1)
    enough = n >= max(_LEAST_NOTES, _LEAST_INSIDE * at.size)
    if not enough.any():
        return _none("heart_rate", "The file is shorter than the part of the sheet that holds heart rates.")
    mean_square = np.where(enough, (apart**2).sum(axis=1) / np.maximum(n, 1), np.inf)
    best = int(np.argmin(mean_square))
    rms = float(np.sqrt(mean_square[best]))
    if rms > _WORST_FIT_BPM:
        return _none(
            "heart_rate",
            f"Nowhere do the heart rates of sheet and file agree: at the best place they are {rms:.0f} beats/min apart. Is it "
            "the file of this test?",
        )
    from scipy.special import fdtri

    count = int(n[best])
    noise = max(mean_square[best] * count / (count - 1), _READING_BPM**2)
    allowed = mean_square[best] + noise * float(fdtri(1, count - 1, 0.95)) / count
    fits = np.flatnonzero(mean_square <= allowed)
    low, high = float(offsets[fits[0]]), float(offsets[fits[-1]])
    if high - low > _WIDEST_S:
        return _none(
            "heart_rate",
            f"The heart rates of the sheet fit the file anywhere from {_signed(low)} to {_signed(high)} s.",
        )
    return Alignment(
        "heart_rate",
        float(offsets[best]),
        f"At {_signed(offsets[best])} s the {count} heart rates of the sheet lie closest to those of the file, "
        f"{rms:.1f} beats/min apart; from {_signed(low)} to {_signed(high)} s they fit about as well.",
        low,
        high,
    )


def from_exercise(in_file: Marks | None, sheet_start_s: float | None, sheet_end_s: float | None) -> Alignment:
    """The offset at which exercise ends, or else begins, in the file where it does on the sheet.

    Parameters
    ----------
    in_file : Marks or None
        Found in the load or the phases of the file.
    sheet_start_s, sheet_end_s : float or None
        As marked on the sheet.
    """
    if sheet_start_s is None and sheet_end_s is None:
        return _none("exercise", "The sheet says neither when exercise began nor when it ended.")
    if in_file is None:
        return _none("exercise", "The file has neither phases nor a load that would show where exercise was.")
    start = None if sheet_start_s is None else sheet_start_s - in_file.exercise_start_s
    end = None if sheet_end_s is None else sheet_end_s - in_file.exercise_end_s
    how = "its phases" if in_file.basis == "phases" else "its load"
    if start is None or end is None:
        one, word = (start, "begins") if end is None else (end, "ends")
        assert one is not None  # noqa: S101 one of the two is there
        return Alignment(
            "exercise",
            round(one, 1),
            f"Exercise {word} in the file, by {how}, where it does on the sheet at {_signed(one)} s. Only this one mark could be "
            "compared, to about the length of a row.",
        )
    if abs(start - end) <= _ENDS_AGREE_S:
        middle = round((start + end) / 2, 1)
        return Alignment(
            "exercise",
            middle,
            f"Begin and end of exercise in the file, by {how}, agree with the sheet at {_signed(middle)} s, to "
            f"{abs(start - end):.0f} s.",
            *sorted((round(start, 1), round(end, 1))),
        )
    return Alignment(
        "exercise",
        round(end, 1),
        f"The end of exercise in the file, by {how}, agrees with the sheet at {_signed(end)} s; the begin would at "
        f"{_signed(start)} s. That is {abs(start - end):.0f} s apart: one of the marks is another moment. Look at the chart.",
        *sorted((round(start, 1), round(end, 1))),
    )


def from_clocks(file_zero_s: float | None, sheet_zero_s: float | None) -> Alignment:
    """The offset by the times of day of file and sheet.

    Parameters
    ----------
    file_zero_s, sheet_zero_s : float or None
        Seconds after midnight at time 0 of each.
    """
    if file_zero_s is None:
        return _none("clock", "The file holds no times of day.")
    if sheet_zero_s is None:
        return _none("clock", "The clock of the sheet was never started, so it has no time of day.")
    apart = (file_zero_s - sheet_zero_s + _DAY_S / 2) % _DAY_S - _DAY_S / 2
    if abs(apart) > _FURTHEST_CLOCK_S:
        return _none(
            "clock",
            f"By their times of day file and sheet are {abs(apart) / 3600:.1f} h apart: one of the two clocks is set wrongly.",
        )
    return Alignment(
        "clock",
        round(apart, 1),
        f"By its times of day the file begins {_from_start(apart)} the clock of the sheet. That is as true as the two clocks "
        "agree, often to a minute or two.",
    )


def propose(
    series: Series,
    notes: Sequence[StageNote],
    *,
    in_file: Marks | None,
    sheet_start_s: float | None,
    sheet_end_s: float | None,
    file_zero_s: float | None,
    sheet_zero_s: float | None,
) -> tuple[Alignment, ...]:
    """Every way, the surest first; those that give no offset come last, with the reason.

    Heart rates come first where they are told to within 20 s; then begin and end of exercise that agree; clocks come last.
    """
    found = [
        from_heart_rates(series, notes),
        from_exercise(in_file, sheet_start_s, sheet_end_s),
        from_clocks(file_zero_s, sheet_zero_s),
    ]

    def width(one: Alignment) -> float:
        if one.low_s is None or one.high_s is None:
            return 180.0 if one.basis == "clock" else 60.0
        return one.high_s - one.low_s

    return tuple(sorted(found, key=lambda one: (one.offset_s is None, width(one))))


def _heart_rate_of(series: Series) -> tuple[Floats, Floats]:
    """Middle of each row and its heart rate, over about 15 s where rows are shorter: a display is not read to a beat."""
    if not series.has("heart_rate_bpm"):
        return np.empty(0), np.empty(0)
    counts = counted_rows(series, "heart_rate_bpm")
    times = (series.end_s - series.duration_s / 2)[counts]
    rates = series.channel("heart_rate_bpm")[counts]
    if times.size < 2:
        return times, rates
    first = np.searchsorted(times, times - _MEAN_S / 2, side="left")
    last = np.searchsorted(times, times + _MEAN_S / 2, side="right")
    summed = np.concatenate(([0.0], np.cumsum(rates)))
    return times, (summed[last] - summed[first]) / (last - first)


def _none(basis: Basis, reason: str) -> Alignment:
    return Alignment(basis, None, reason)


def _signed(seconds: float) -> str:
    return f"{seconds:+.0f}" if round(seconds) else "0"


def _from_start(apart: float) -> str:
    if abs(apart) < 0.5:
        return "together with"
    return f"{abs(apart):.0f} s {'after' if apart > 0 else 'before'}"
