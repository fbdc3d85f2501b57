"""Slopes over a test: ventilation on CO2 output, uptake on the logarithm of ventilation, on work rate, heart rate on uptake."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from service.analysis.gas import without_lost_carbon_dioxide
from service.analysis.lines import Line, fit_line, is_constant, lags_for, points_between
from service.analysis.loads import ERGOMETERS, Loads
from service.analysis.marks import Marks
from service.analysis.moments import line_through
from service.analysis.plain import record_dict
from service.analysis.series import Floats, Series, TestInput
from service.analysis.stage_values import StageValues, stage_values
from service.methods.method import COMMON_PRACTICE

#: Start of exercise left out where uptake lags behind.
FIRST_MINUTE_S = 60.0
#: Left out before uptake is set against work rate, half of it in a test shorter than 6 min.
LAG_S = 120.0
_SHORT_TEST_S = 360.0
#: Stages from this length on give one point each.
STAGE_POINT_S = 120.0
#: Acceptance (project defaults).
LEAST_POINTS = 6
LEAST_STAGES = 3
LEAST_SPREAD = 1.3
LEAST_R_SQUARED = 0.5

_VENTILATORY_CLASSES = (
    "The ventilatory classes in use (arena_2007, value from memory) were made among people with heart failure, over the "
    "whole of a maximal test; they are not applied here."
)
_UNIT = {
    "ve_vco2_slope": "",
    "ve_vco2_slope_whole": "",
    "oues_ml_min": "mL/min",
    "vo2_work_rate_slope_ml_min_w": "mL/min/W",
    "heart_rate_vo2_slope_bpm_per_l_min": "beats/min per L/min",
}

#: Work rate at which tests of one person are compared: light for nearly everybody who is tested (project default).
CHECKED_AT_W = 100.0


@dataclass(frozen=True, slots=True)
class Slope:
    """One slope with its interval.

    Attributes
    ----------
    name : str
        The quantity, with its unit.
    value : float or None
        In `unit`; None with a `reason`.
    unit : str
    intercept : float or None
        Of the line, in the unit of what is on its upright axis.
    ci_low, ci_high : float or None
        95 % interval, wider where neighbouring points are alike.
    along_low, along_high : float or None
        Between these values of what the line is drawn along its points lie.
    n : int
        Points.
    autocorrelation : float or None
        Of neighbouring residuals.
    r_squared : float or None
    residual_sd : float or None
    from_s, to_s : float or None
        Time the points come from.
    range : str
        The same in words.
    points : str
        What a point is.
    method, source : str
    acceptance : str
        When a slope is given.
    limit_reason : str or None
        Why no published limit is shown.
    reason : str or None
        Why there is no value.
    """

    name: str
    value: float | None
    unit: str
    intercept: float | None = None
    ci_low: float | None = None
    ci_high: float | None = None
    along_low: float | None = None
    along_high: float | None = None
    n: int = 0
    autocorrelation: float | None = None
    r_squared: float | None = None
    residual_sd: float | None = None
    from_s: float | None = None
    to_s: float | None = None
    range: str = ""
    points: str = ""
    method: str = ""
    source: str = ""
    acceptance: str = ""
    limit_reason: str | None = None
    reason: str | None = None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return record_dict(self)


@dataclass(frozen=True, slots=True)
class Slopes:
    """All slopes of a test.

    Attributes
    ----------
    ve_vco2 : Slope
        Up to the second ventilatory threshold.
    ve_vco2_whole : Slope
        Over all of exercise.
    oues : Slope
        Oxygen uptake efficiency slope, mL/min for a tenfold ventilation.
    vo2_work_rate : Slope
        mL/min/W.
    heart_rate_vo2 : Slope
        Beats/min for each L/min.
    """

    ve_vco2: Slope
    ve_vco2_whole: Slope
    oues: Slope
    vo2_work_rate: Slope
    heart_rate_vo2: Slope

    @property
    def items(self) -> tuple[Slope, ...]:
        """All of them."""
        return (self.ve_vco2, self.ve_vco2_whole, self.oues, self.vo2_work_rate, self.heart_rate_vo2)

    @property
    def vo2_at_100_w_ml_min(self) -> float | None:
        """Uptake that the line on work rate has at 100 W, where its points reach to either side of it.

        Tests of one person by one protocol should agree in it: what moves it is rather the equipment than fitness.
        """
        line = self.vo2_work_rate
        if line.value is None or line.intercept is None or self._not_at_100_w() is not None:
            return None
        return line.intercept + CHECKED_AT_W * line.value

    def _not_at_100_w(self) -> str | None:
        line = self.vo2_work_rate
        if line.value is None or line.along_low is None or line.along_high is None:
            return line.reason or "There is no line of uptake on work rate."
        if not line.along_low <= CHECKED_AT_W <= line.along_high:
            return (
                f"The line of uptake on work rate runs from {line.along_low:.0f} to {line.along_high:.0f} W and is not drawn "
                f"out to {CHECKED_AT_W:.0f} W."
            )
        return None

    def as_dict(self) -> dict[str, Any]:
        """JSON form: each value under its own name, the reasons, and every slope in full under ``items``."""
        reasons = {one.name: one.reason for one in self.items if one.reason is not None}
        missing = self._not_at_100_w()
        if missing is not None:
            reasons["vo2_at_100_w_ml_min"] = missing
        return {
            **{one.name: one.value for one in self.items},
            "vo2_at_100_w_ml_min": self.vo2_at_100_w_ml_min,
            "items": [one.as_dict() for one in self.items],
            "reasons": reasons,
            "reason": " ".join(dict.fromkeys(reasons.values())) or None,
        }


def find_slopes(
    test: TestInput,
    marks: Marks,
    loads: Loads,
    *,
    vt2_time_s: float | None = None,
    vt2_reason: str | None = None,
    plateau_from_s: float | None = None,
    stages: tuple[StageValues, ...] | None = None,
) -> Slopes:
    """The slopes of one test.

    Parameters
    ----------
    test : TestInput
    marks : Marks
    loads : Loads
    vt2_time_s : float, optional
        When the second ventilatory threshold was passed, on the clock of the series.
    vt2_reason : str, optional
        Why it is not known.
    plateau_from_s : float, optional
        Where a plateau of uptake begins; rows from there on are left out of slopes of uptake.
    stages : tuple of StageValues, optional
        Of the same test, where they are at hand.

    Returns
    -------
    Slopes
        Each null with its reason where it cannot be had or its acceptance rule is not met.

    Notes
    -----
    VE/VCO2: VE (BTPS) on VCO2 (STPD), L/min each, from the start of exercise. OUES: VO2 = a log10 VE + b without the
    first minute and the plateau (baba_1996). VO2 on work rate without the first 2 min and the plateau; steady lag moves
    this line and does not tilt it. Stages of 2 min and more give one point each there, the mean of their last minute.
    Least squares; intervals by `service.analysis.lines.fit_line`. Rows in which the CO2 channel is lost do not count.
    """
    test = without_lost_carbon_dioxide(test, marks)
    series = test.series
    start, end = marks.exercise_start_s, marks.exercise_end_s
    before_plateau = end if plateau_from_s is None else max(start, min(end, plateau_from_s))
    after_first = start + FIRST_MINUTE_S
    values = stage_values(series, loads) if stages is None else stages
    ventilation = _blank(
        "ve_vco2_slope", "least squares of VE (L/min BTPS) on VCO2 (L/min STPD)", COMMON_PRACTICE
    )
    ventilation = replace(ventilation, limit_reason=_VENTILATORY_CLASSES)
    whole = replace(
        ventilation, name="ve_vco2_slope_whole", range="the whole of exercise, from its start to its end"
    )
    to_vt2 = replace(ventilation, range="from the start of exercise to the second ventilatory threshold")
    pair = ("vco2_ml_min", "ve_l_min")
    if vt2_time_s is None:
        why = vt2_reason or "the second ventilatory threshold is not known"
        to_vt2 = replace(
            to_vt2, reason=f"No slope to the second threshold: {_clause(why)}; see the slope over the whole."
        )
    else:
        to_vt2 = _through(series, to_vt2, pair, start, min(end, vt2_time_s), _litres, _same)
    return Slopes(
        to_vt2,
        _through(series, whole, pair, start, end, _litres, _same),
        _through(
            series,
            replace(
                _blank(
                    "oues_ml_min", "least squares of VO2 (mL/min) on log10 of VE (L/min BTPS)", "baba_1996"
                ),
                range=_without("the first minute", plateau_from_s),
            ),
            ("ve_l_min", "vo2_ml_min"),
            after_first,
            before_plateau,
            _log10,
            _same,
        ),
        _vo2_work_rate(test, marks, values, before_plateau, plateau_from_s),
        _through(
            series,
            replace(
                _blank(
                    "heart_rate_vo2_slope_bpm_per_l_min",
                    "least squares of heart rate (beats/min) on VO2 (L/min)",
                    COMMON_PRACTICE,
                ),
                range=_without("the first minute", plateau_from_s),
            ),
            ("vo2_ml_min", "heart_rate_bpm"),
            after_first,
            before_plateau,
            _litres,
            _same,
        ),
    )


def _blank(name: str, method: str, source: str) -> Slope:
    return Slope(
        name,
        None,
        _UNIT[name],
        method=method,
        source=source,
        acceptance=(
            f"At least {LEAST_POINTS} points, or {LEAST_STAGES} stages; the highest value along the line at least "
            f"{LEAST_SPREAD:g} times the lowest; the interval above 0; r squared at least {LEAST_R_SQUARED:g} (project "
            "default)."
        ),
    )


def _clause(text: str) -> str:
    """A sentence as part of another."""
    text = text.strip().rstrip(".")
    return text[:1].lower() + text[1:] if text[1:2].islower() else text


def _without(what: str, plateau_from_s: float | None) -> str:
    return f"exercise without {what}" + ("" if plateau_from_s is None else " and the plateau")


def _same(values: Floats) -> Floats:
    return values


def _litres(values: Floats) -> Floats:
    return values / 1000.0


def _log10(values: Floats) -> Floats:
    logs: Floats = np.log10(values)
    return logs


def _through(
    series: Series,
    slope: Slope,
    pair: tuple[str, str],
    from_s: float,
    to_s: float,
    along: Callable[[Floats], Floats],
    upright: Callable[[Floats], Floats],
) -> Slope:
    """A slope through the rows between two times."""
    missing = [_CHANNEL_WORDS[key] for key in pair if not series.has(key)]
    if missing:
        return replace(slope, from_s=from_s, to_s=to_s, reason=f"The test has no {' and no '.join(missing)}.")
    points = points_between(series, pair, from_s, to_s)
    raw = points.values[pair[0]]
    slope = replace(
        slope,
        from_s=from_s,
        to_s=to_s,
        n=len(points),
        points=f"means of {points.length_s:.0f} s"
        if points.averaged
        else f"rows of {points.length_s:.0f} s, as recorded",
    )
    if len(points) < LEAST_POINTS:
        return replace(
            slope, reason=f"{len(points)} points lie in the range; a line needs at least {LEAST_POINTS}."
        )
    line = fit_line(along(raw), upright(points.values[pair[1]]), lags_for(len(points), points.length_s))
    return _accepted(slope, line, raw, points.values[pair[1]])


_CHANNEL_WORDS: Mapping[str, str] = {
    "vo2_ml_min": "VO2",
    "vco2_ml_min": "VCO2",
    "ve_l_min": "ventilation",
    "heart_rate_bpm": "heart rate",
    "work_rate_w": "work rate",
}


def _accepted(
    slope: Slope, line: Line | None, along: Floats, upright: Floats, *, from_zero: bool = False
) -> Slope:
    """The slope with its value, or with the reason why it is not given."""
    if line is None or is_constant(along):
        return replace(slope, reason="What the line would be drawn along does not vary.")
    low, high = float(along.min()), float(along.max())
    reason = None
    if not from_zero and high < LEAST_SPREAD * low:
        reason = f"The highest value along the line is {high / low:.2f} times the lowest; it has to be {LEAST_SPREAD:g} times."
    elif is_constant(upright):
        reason = "What should rise along the line stands still."
    elif line.ci_low <= 0.0:
        reason = f"The interval of the slope, {line.ci_low:.3g} to {line.ci_high:.3g}, is not above 0."
    elif line.r_squared < LEAST_R_SQUARED:
        reason = f"The points lie too far from a line: r squared is {line.r_squared:.3f}."
    fitted = {
        "n": line.n,
        "r_squared": line.r_squared,
        "residual_sd": line.residual_sd,
        "autocorrelation": line.autocorrelation,
    }
    if reason is not None:
        return replace(slope, **fitted, reason=reason)  # type: ignore[arg-type]
    return replace(
        slope,
        **fitted,  # type: ignore[arg-type]
        value=line.slope,
        intercept=line.intercept,
        ci_low=line.ci_low,
        ci_high=line.ci_high,
        along_low=low,
        along_high=high,
    )


# -- uptake on work rate ----------------------------------------------------------------------------------


def _vo2_work_rate(
    test: TestInput,
    marks: Marks,
    stages: tuple[StageValues, ...],
    before_plateau: float,
    plateau_from_s: float | None,
) -> Slope:
    blank = _blank(
        "vo2_work_rate_slope_ml_min_w", "least squares of VO2 (mL/min) on work rate (W)", COMMON_PRACTICE
    )
    if test.mode not in ERGOMETERS:
        return replace(blank, reason="The test was not on an ergometer, so there is no work rate.")
    if not test.series.has("vo2_ml_min"):
        return replace(blank, reason="The test has no VO2.")
    long = [one for one in stages if one.end_s - one.start_s >= STAGE_POINT_S - 5.0]
    if len(long) >= LEAST_STAGES and len(long) >= len(stages) - 1:
        return _over_stages(blank, long, before_plateau, plateau_from_s)
    lag = LAG_S if marks.duration_s >= _SHORT_TEST_S else 0.5 * LAG_S
    from_s = marks.exercise_start_s + lag
    slope = replace(
        blank, range=_without(f"its first {lag:.0f} s", plateau_from_s), from_s=from_s, to_s=before_plateau
    )
    if not test.series.has("work_rate_w"):
        return replace(slope, reason="The test has no work rates.")
    return _ramp(test.series, slope, from_s, before_plateau)


def _ramp(series: Series, slope: Slope, from_s: float, to_s: float) -> Slope:
    pair = ("work_rate_w", "vo2_ml_min")
    points = points_between(series, pair, from_s, to_s)
    work, uptake = points.values["work_rate_w"], points.values["vo2_ml_min"]
    slope = replace(
        slope,
        n=len(points),
        points=f"means of {points.length_s:.0f} s"
        if points.averaged
        else f"rows of {points.length_s:.0f} s, as recorded",
    )
    if len(points) < LEAST_POINTS:
        return replace(
            slope, reason=f"{len(points)} points lie in the range; a line needs at least {LEAST_POINTS}."
        )
    if is_constant(work) or line_through(points.middle_s - points.middle_s[0], work)[0] <= 0:
        return replace(slope, reason="The work rate never rises.")
    return _accepted(slope, fit_line(work, uptake, lags_for(len(points), points.length_s)), work, uptake)


def _over_stages(
    slope: Slope, stages: list[StageValues], before_plateau: float, plateau_from_s: float | None
) -> Slope:
    used = [
        (one.work_rate_w, one.vo2_ml_min, one)
        for one in stages
        if one.work_rate_w is not None
        and one.vo2_ml_min is not None
        and one.stage.counts
        and one.end_s <= before_plateau + 1e-6
    ]
    words = "the stages of 2 min and more" + ("" if plateau_from_s is None else " before the plateau")
    slope = replace(
        slope, n=len(used), range=words, points="means of the last minute of a stage (half of one of 2 min)"
    )
    if len(used) < LEAST_STAGES:
        return replace(
            slope, reason=f"{len(used)} stages have a work rate and an uptake; a line needs {LEAST_STAGES}."
        )
    work = np.array([one[0] for one in used], dtype=np.float64)
    uptake = np.array([one[1] for one in used], dtype=np.float64)
    slope = replace(slope, from_s=used[0][2].from_s, to_s=used[-1][2].end_s)
    if (np.diff(work) <= 0).all():
        return replace(slope, reason="The work rate never rises.")
    return _accepted(slope, fit_line(work, uptake), work, uptake)
