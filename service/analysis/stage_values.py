"""What each stage came to: means over its last minute, and whether it was steady."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from service.analysis.lines import fit_line, lags_for, points_between
from service.analysis.loads import Loads, Stage
from service.analysis.marks import Marks, counted_rows
from service.analysis.moments import median
from service.analysis.peaks import carbon_dioxide_lost
from service.analysis.plain import record_dict
from service.analysis.series import Series, StageNote
from service.analysis.windows import LEAST_COVERED_FRACTION, mean_of_rows
from service.methods.ratios import respiratory_exchange_ratio
from service.quantities import QUANTITIES

#: Of the end of a stage.
LAST_S = 60.0
#: A stage lasts at least this long before it can be steady.
STEADY_STAGE_S = 180.0
#: Uptake is looked at for a trend over this much of the end (project default: the last minute holds too few rows).
TREND_S = 120.0
_TREND_POINTS = 4
#: A trend that this part of the uptake a minute would hide in is not ruled out (project default).
_TELLING_PART_PER_MIN = 0.10
#: A note may be written down so long after the stage it is about.
_NOTED_AFTER_S = 1.0
_CHANNELS = ("vo2_ml_min", "vco2_ml_min", "ve_l_min", "heart_rate_bpm")


@dataclass(frozen=True, slots=True)
class StageValues:
    """One stage.

    Attributes
    ----------
    number : int
        1 for the first of exercise.
    start_s, end_s : float
    from_s : float
        Where the means begin; they end with the stage.
    work_rate_w, speed_km_h, grade_percent : float or None
        As set.
    gait : {"walking", "running"} or None
    vo2_ml_min, vco2_ml_min, ve_l_min, heart_rate_bpm, rer : float or None
        Means of the last 60 s, or of half of a stage shorter than 2 min; None where covered to less than 80 %.
    vo2_trend_ml_min2 : float or None
        Slope of uptake over the last 2 min, mL/min each minute.
    vo2_trend_low_ml_min2, vo2_trend_high_ml_min2 : float or None
        Its 95 % interval.
    steady : bool
        At least 3 min, RER below 1.0, and uptake without a trend.
    reason : str or None
        Why it is not steady.
    """

    number: int
    start_s: float
    end_s: float
    from_s: float
    work_rate_w: float | None
    speed_km_h: float | None
    grade_percent: float | None
    gait: str | None
    vo2_ml_min: float | None
    vco2_ml_min: float | None
    ve_l_min: float | None
    heart_rate_bpm: float | None
    rer: float | None
    vo2_trend_ml_min2: float | None
    vo2_trend_low_ml_min2: float | None
    vo2_trend_high_ml_min2: float | None
    steady: bool
    reason: str | None
    stage: Stage = field(repr=False, compare=False)

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return record_dict(self, without="stage")


def stage_values(series: Series, loads: Loads) -> tuple[StageValues, ...]:
    """Means and steadiness of every stage.

    Parameters
    ----------
    series : Series
    loads : Loads
        Of the same test.

    Returns
    -------
    tuple of StageValues
        Empty for a ramp.
    """
    if not loads.stages:
        return ()
    # Where the CO2 channel is lost a ratio would be false.
    span = Marks(loads.stages[0].start_s, loads.stages[-1].end_s, "inferred")
    lost = carbon_dioxide_lost(series, span)
    if lost.any():
        output = np.where(lost, np.nan, series.channel("vco2_ml_min"))
        series = replace(series, channels={**series.channels, "vco2_ml_min": output})
    return tuple(_values(series, stage) for stage in loads.stages)


def _values(series: Series, stage: Stage) -> StageValues:
    last = min(LAST_S, 0.5 * stage.length_s)
    start = stage.end_s - last
    means: dict[str, float | None] = {}
    for key in _CHANNELS:
        value, covered = mean_of_rows(
            series, series.channel(key), counted_rows(series, key), start, stage.end_s
        )
        means[key] = value if covered >= LEAST_COVERED_FRACTION - 1e-9 else None
    vo2, vco2 = means["vo2_ml_min"], means["vco2_ml_min"]
    ratio = None if vo2 is None or vco2 is None else float(respiratory_exchange_ratio(vo2, vco2))
    trend, reason = _trend(series, stage, vo2, ratio)
    return StageValues(
        stage.number,
        stage.start_s,
        stage.end_s,
        start,
        stage.work_rate_w,
        stage.speed_km_h,
        stage.grade_percent,
        stage.gait,
        vo2,
        vco2,
        means["ve_l_min"],
        means["heart_rate_bpm"],
        ratio,
        *trend,
        reason is None,
        reason,
        stage,
    )


def stage_of_note(note: StageNote, stages: Sequence[StageValues]) -> StageValues | None:
    """The stage that a note is about, by its number, else by its time.

    Parameters
    ----------
    note : StageNote
    stages : sequence of StageValues

    Returns
    -------
    StageValues or None
        None for a note of another phase, and where no stage fits.
    """
    if note.phase not in {None, "exercise"}:
        return None
    for one in stages:
        number = one.stage.recorded_stage if one.stage.recorded_stage is not None else one.number
        if note.stage is not None:
            if note.stage == number:
                return one
        elif note.time_s is not None and one.start_s < note.time_s <= one.end_s + _NOTED_AFTER_S:
            return one
    return None


def _trend(
    series: Series, stage: Stage, vo2: float | None, ratio: float | None
) -> tuple[tuple[float | None, float | None, float | None], str | None]:
    """Trend of uptake with its interval, and why the stage is not steady."""
    none = (None, None, None)
    if stage.length_s < STEADY_STAGE_S - _slack(series):
        return none, f"it lasted {stage.length_s:.0f} s; a steady state takes at least {STEADY_STAGE_S:.0f} s"
    if vo2 is None:
        return none, "its last minute has no uptake, or too little of it"
    points = points_between(series, ("vo2_ml_min",), stage.end_s - TREND_S, stage.end_s)
    uptake = points.values["vo2_ml_min"]
    line = fit_line(points.middle_s / 60.0, uptake, lags_for(len(points), points.length_s))
    if line is None or len(points) < _TREND_POINTS:
        return none, "its rows are too few to tell whether uptake still changed"
    trend = (line.slope, line.ci_low, line.ci_high)
    if ratio is None:
        return trend, "its last minute has no CO2 output, so the exchange ratio is not known"
    if not QUANTITIES["rer"].possible(ratio):
        return trend, f"the exchange ratio of {ratio:.2f} cannot be; CO2 output or uptake is wrong"
    if ratio >= 1.0:
        return trend, f"the exchange ratio was {ratio:.2f}; it has to be below 1.00"
    rising = line.ci_low > 0.0 or line.ci_high < 0.0
    if rising and abs(line.slope) > 1e-6 * vo2:
        return (
            trend,
            f"uptake still {'rose' if line.slope > 0 else 'fell'} by {abs(line.slope):.0f} mL/min a minute",
        )
    if 0.5 * (line.ci_high - line.ci_low) > _TELLING_PART_PER_MIN * vo2:
        return trend, "uptake scatters too much to tell whether it still changed"
    return trend, None


def _slack(series: Series) -> float:
    """How much a stage may seem too short because rows do not end where it does."""
    return min(5.0, median(series.duration_s)) if len(series) else 0.0
