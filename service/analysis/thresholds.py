"""Ventilatory thresholds: where CO2 output bends away from uptake, and ventilation from CO2 output.

Each method fits a line with one break (see `service.analysis.segmented`) and gives a threshold only where a test says that
there is a break. Methods differ by much on the same data, so each stands under its own name and none is ever compared with
another over time.

Noise. Depth and length of a breath move its uptake, CO2 output and ventilation together, by far more than their ratios. So
uptake is smoothed to its trend, and each breath counts by its ratios, which are not smoothed: VCO2 is the trend of uptake
times the breath's VCO2/VO2, and so on. The errors left are those of the ratio alone; smoothing them would make neighbours
alike and a test of the break false.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Any, Literal

import numpy as np

from service.analysis.loads import Loads, find_loads
from service.analysis.marks import Marks, counted_rows, counted_values, exercise_load, full_rows_in_exercise
from service.analysis.moments import line_through, mean, median, standard_deviation
from service.analysis.peaks import Peak, carbon_dioxide_lost
from service.analysis.plain import record_dict
from service.analysis.segmented import (
    LEAST_POINTS,
    BreakModel,
    BrokenLine,
    Draws,
    memory_of,
)
from service.analysis.series import (
    PHASES,
    Floats,
    Series,
    TesterThreshold,
    TestInput,
    ThresholdName,
    known_of_series,
)
from service.analysis.smoothing import Smoothing, trends
from service.findings import Finding, finding

ThresholdMethod = Literal[
    "v_slope",
    "ventilatory_equivalents",
    "excess_co2",
    "ve_vco2",
    "ve_vco2_equivalent",
    "consensus",
    "tester",
    "lactate_2",
    "lactate_4",
    "lactate_baseline_0_5",
    "lactate_baseline_1_0",
    "lactate_modified_dmax",
    "lactate_log_log",
]
ResponseBasis = Literal["estimated", "stated_constant"]

VT1_METHODS: tuple[ThresholdMethod, ...] = ("v_slope", "ventilatory_equivalents", "excess_co2")
VT2_METHODS: tuple[ThresholdMethod, ...] = ("ve_vco2", "ve_vco2_equivalent")
#: Where each method comes from.
SOURCES: Mapping[str, str] = {
    "v_slope": "beaver_1986 (value from memory)",
    "ventilatory_equivalents": "rise of VE/VO2 without a rise of VE/VCO2 (common practice; value from memory)",
    "excess_co2": "VCO2 squared/VO2 - VCO2 (from memory, low confidence)",
    "ve_vco2": "break of VE against VCO2, slope 15 % steeper (beaver_1986, value from memory)",
    "ve_vco2_equivalent": "lasting rise of VE/VCO2 (common practice; value from memory)",
    "consensus": "median of at least two methods within 10 % of each other (project default)",
}

#: Left out at the onset of exercise, and no more.
LEFT_OUT_S = 30.0
#: Longest stage on which VT1 is asked for.
LONGEST_STAGE_S = 60.0
#: V-slope: least rise of the slope (Beaver 1986, value from memory). VE against VCO2: least part steeper (the same).
LEAST_SLOPE_RISE = 0.1
LEAST_PART_STEEPER = 0.15
#: A break is claimed at this p-value or below (project default).
CLAIMED_AT = 0.005
#: Methods agree within this part of their median.
AGREE_WITHIN = 0.10
USUAL_PERCENT_OF_PEAK = (40.0, 80.0)
#: Where the test's own onset does not tell it: a common value of healthy adults (from memory).
STATED_MEAN_RESPONSE_S = 40.0
#: What uptake is replaced by in the fits; the ratio of each breath stays as recorded.
SMOOTHING = Smoothing("trend", 6)
FEWEST_ROWS = 12
# CO2 output follows the onset more slowly than uptake, by about this long, and the difference fades like this (time
# constants of both from memory).
_STORES_LAG_S, _STORES_LAG_SD_S = 10.0, 10.0
_ONSET_FADES_S = 60.0
_LATER_BEND_TRIED = tuple(float(one) for one in np.linspace(0.3, 0.9, 9))
_READ_OVER_S = 20.0
#: How what stands beside the uptake of a threshold was had, by field.
READ_AT: Mapping[str, str] = {
    "percent_of_peak": "Of the peak uptake of the same test.",
    "heart_rate_bpm": f"Mean over the {_READ_OVER_S:g} s around the moment when the trend of uptake first reached the threshold.",
    "work_rate_lag_corrected_w": "Load of the moment one mean response time before the trend of uptake reached the threshold.",
    "speed_km_h": "Load of the moment when the trend of uptake first reached the threshold.",
}
_BASELINE_S = 60.0
# For the mean response time (project defaults).
_WARM_UP_S = 120.0
_LEAST_RISING_S = 120.0
_LEAST_SURE_S = 8.0
_RESPONSE_S = (10.0, 100.0)
_WARM_UP = PHASES.index("warm_up")
_SLACK_S = 1e-6


@dataclass(frozen=True, slots=True)
class Threshold:
    """One threshold by one method.

    Attributes
    ----------
    threshold : {"vt1", "vt2", "lt"}
    method : str
    basis : {"computed", "tester"}
    vo2_ml_min : float or None
    percent_of_peak : float or None
        Of the peak uptake of the same test.
    time_s : float or None
        When uptake reached it, on the clock of the series.
    heart_rate_bpm, work_rate_w, speed_km_h : float or None
        At that time, as read.
    work_rate_lag_corrected_w : float or None
        One mean response time earlier: the work rate whose demand uptake had reached.
    ci_low_ml_min, ci_high_ml_min : float or None
        95 % bootstrap interval of the break; of a consensus, from the lowest to the highest end of those that agree.
    reason : str or None
        Why something is None; who set a tester's threshold and why.
    """

    threshold: ThresholdName
    method: ThresholdMethod
    basis: Literal["computed", "tester"] = "computed"
    vo2_ml_min: float | None = None
    percent_of_peak: float | None = None
    time_s: float | None = None
    heart_rate_bpm: float | None = None
    work_rate_w: float | None = None
    work_rate_lag_corrected_w: float | None = None
    speed_km_h: float | None = None
    ci_low_ml_min: float | None = None
    ci_high_ml_min: float | None = None
    reason: str | None = None

    def as_dict(self) -> dict[str, Any]:
        """JSON form, with the source of the method; that of a tester's own is the tester, in the reason."""
        return {
            **record_dict(self),
            "source": SOURCES.get(self.method, "the tester"),
        }


@dataclass(frozen=True, slots=True)
class MethodFit:
    """How one method came to its threshold, for a chart and a close look.

    Attributes
    ----------
    method : str
    x_name, y_name : str
        What was fitted.
    fit : BrokenLine or None
        None where none could be fitted.
    p_value : float or None
        Of the test of a break.
    from_s, to_s : float
        Rows between these times were used.
    n : int
    line : tuple of (float, float)
        Ends and bends of the line in `x_name` and `y_name`, once the lag of the onset is over; empty where the model is not
        of straight lines.
    """

    method: ThresholdMethod
    x_name: str
    y_name: str
    fit: BrokenLine | None
    p_value: float | None
    from_s: float
    to_s: float
    n: int
    line: tuple[tuple[float, float], ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "method": self.method,
            "x": self.x_name,
            "y": self.y_name,
            "slope_before": None if self.fit is None else self.fit.slope_before,
            "slope_after": None if self.fit is None else self.fit.slope_after,
            "line": [list(one) for one in self.line],
            "p_value": self.p_value,
            "from_s": self.from_s,
            "to_s": self.to_s,
            "n": self.n,
            "source": SOURCES[self.method],
        }


@dataclass(frozen=True, slots=True)
class Thresholds:
    """All thresholds of one test.

    Attributes
    ----------
    items : tuple of Threshold
        VT1 methods, its consensus, VT2 methods, its consensus, then a tester's own.
    findings : tuple of Finding
    mean_response_s : float or None
        Used for the lag of uptake; None where there is no work rate.
    mean_response_basis : {"estimated", "stated_constant"} or None
    smoothing : Smoothing or None
        Of uptake in the fits; ratios are not smoothed.
    fits : mapping of str to MethodFit
        By method.
    """

    items: tuple[Threshold, ...]
    findings: tuple[Finding, ...] = ()
    mean_response_s: float | None = None
    mean_response_basis: ResponseBasis | None = None
    smoothing: Smoothing | None = None
    fits: Mapping[str, MethodFit] = field(default_factory=dict)

    def as_dict(self) -> list[dict[str, Any]]:
        """JSON form: the list of thresholds."""
        return [one.as_dict() for one in self.items]

    def of(self, threshold: ThresholdName, method: ThresholdMethod = "consensus") -> Threshold | None:
        """One threshold by one method; None where it was not asked for."""
        return next((one for one in self.items if (one.threshold, one.method) == (threshold, method)), None)


# -- the curves, as functions of arrays -------------------------------------------------------------------


def excess_co2(vo2_ml_min: Floats, vco2_ml_min: Floats) -> Floats:
    """Excess CO2 = VCO2 squared / VO2 - VCO2 (from memory, low confidence).

    Parameters
    ----------
    vo2_ml_min, vco2_ml_min : ndarray of float, shape (n,)
        mL/min STPD; uptake above 0.

    Returns
    -------
    ndarray of float, shape (n,)
        mL/min.
    """
    answer: Floats = vco2_ml_min**2 / vo2_ml_min - vco2_ml_min
    return answer


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows that the fits use, in order of time.

    Attributes
    ----------
    time_s : middle of each row.
    uptake, carbon : trends, mL/min.
    rer, equivalent : ratios of each row as recorded, VCO2/VO2 and VE/VCO2 (L/L); the latter None without ventilation.
    onset_s : onset of exercise.
    onset_rate : how fast uptake rose at the onset, mL/min a second.
    uptake_doubt, carbon_doubt : SD of the trends near their middle, mL/min.
    """

    time_s: Floats
    uptake: Floats
    carbon: Floats
    rer: Floats
    equivalent: Floats | None
    onset_s: float
    onset_rate: float
    uptake_doubt: float
    carbon_doubt: float

    def __len__(self) -> int:
        return int(self.time_s.size)

    @property
    def fading(self) -> Floats:
        """What is left of the onset at each row, 1 to 0."""
        answer: Floats = np.exp(-np.maximum(self.time_s - self.onset_s, 0.0) / _ONSET_FADES_S)
        return answer

    def uptake_at(self, carbon_ml_min: float) -> float:
        """Uptake when CO2 output reached a level, by the trends."""
        return float(np.interp(carbon_ml_min, np.maximum.accumulate(self.carbon), self.uptake))


@dataclass(frozen=True, slots=True)
class _Curve:
    """What a method fits to.

    Attributes
    ----------
    x, y : to be fitted.
    lag : what one second of lag of CO2 output behind uptake at the onset adds to y.
    further : further free terms, (n, p).
    spread : what the SD of y is proportional to.
    place_sd : SD of the trend that x is.
    """

    x_name: str
    y_name: str
    x: Floats
    y: Floats
    lag: Floats
    further: Floats
    spread: Floats
    place_sd: float


def _curve(method: ThresholdMethod, rows: _Rows) -> _Curve:
    uptake, carbon, rer = rows.uptake, rows.carbon, rows.rer
    nothing = np.empty((len(rows), 0))
    level = np.ones(len(rows))
    lag = rows.onset_rate * rows.fading
    doubt = rows.carbon_doubt if method == "ve_vco2" else rows.uptake_doubt
    if method == "v_slope":
        return _Curve("vo2_ml_min", "vco2_ml_min", uptake, uptake * rer, lag, nothing, uptake, doubt)
    if method == "excess_co2":
        y = excess_co2(uptake, uptake * rer)
        return _Curve("vo2_ml_min", "excess_co2_ml_min", uptake, y, lag, nothing, uptake, doubt)
    equivalent = level if rows.equivalent is None else rows.equivalent
    usual = median(equivalent)
    if method == "ventilatory_equivalents":
        # VE/VO2 begins to rise where VE bends upward on VO2, and there VE is straight on both sides, which VE/VO2 is not.
        y = uptake * equivalent * rer / 1000.0
        return _Curve("vo2_ml_min", "ve_l_min", uptake, y, usual * lag / 1000.0, nothing, uptake, doubt)
    if method == "ve_vco2":
        y = carbon * equivalent / 1000.0
        return _Curve("vco2_ml_min", "ve_l_min", carbon, y, usual * lag / 1000.0, nothing, carbon, doubt)
    # VE has an intercept on VCO2, so VE/VCO2 falls as 1/VCO2 before it rises.
    further = (1000.0 / carbon)[:, None]
    return _Curve("vo2_ml_min", "ve_vco2", uptake, equivalent, usual * lag / carbon, further, level, doubt)


def _bends_too_little(method: ThresholdMethod, fit: BrokenLine) -> str | None:
    """Why a break is not the threshold, although there is one; None where it is."""
    if method == "v_slope":
        rise = fit.slope_after - fit.slope_before
        if rise <= LEAST_SLOPE_RISE:
            return f"The slope of VCO2 on VO2 rises by {rise:.2f} at its break; more than {LEAST_SLOPE_RISE} is asked for."
        return None
    if method == "ve_vco2":
        if fit.slope_before <= 0:
            return "Ventilation does not rise with VCO2 before the break."
        part = fit.slope_after / fit.slope_before - 1.0
        if part < LEAST_PART_STEEPER:
            return (
                f"The slope of VE on VCO2 rises by {100 * part:.0f} % at its break; at least "
                f"{100 * LEAST_PART_STEEPER:.0f} % is asked for."
            )
        return None
    if method == "ventilatory_equivalents" and fit.slope_after * fit.position <= fit.value:
        return "VE/VO2 does not rise after the break of VE on VO2."
    if method == "excess_co2" and fit.slope_after <= 0:
        return "Excess CO2 does not rise after its break."
    return None


@dataclass(frozen=True, slots=True)
class _Found:
    """A threshold in uptake, or why there is none."""

    method: ThresholdMethod
    vo2: float | None = None
    low: float | None = None
    high: float | None = None
    reason: str | None = None
    fit: MethodFit | None = None


@dataclass(frozen=True, slots=True)
class _Model:
    """A curve with all its further terms, ready to be fitted."""

    curve: _Curve
    broken: BreakModel
    block_rows: int
    draws: Draws

    @property
    def fit(self) -> BrokenLine | None:
        return self.broken.fit

    def p_value(self) -> float | None:
        tested = self.broken.test(self.draws, block_rows=self.block_rows)
        return None if tested is None else tested.p_value

    def interval(self, fit: BrokenLine) -> tuple[float, float]:
        found = self.broken.interval(
            self.draws, block_rows=self.block_rows, held_sd=_STORES_LAG_SD_S, place_sd=self.curve.place_sd
        )
        return (fit.position, fit.position) if found is None else found


def _bends(curve: _Curve, bend_at: Sequence[float]) -> list[float]:
    """Known bends that count: one with hardly a row beyond it cannot be told from noise."""
    return [one for one in bend_at if np.count_nonzero(curve.x > one) >= LEAST_POINTS]


def _model(curve: _Curve, bend_at: Sequence[float], draws: Draws) -> _Model:
    """The curve with bends at known places and the lag of the onset as further terms.

    The usual lag is taken out; what remains of it is a term held near 0.
    """
    curve = replace(curve, y=curve.y + _STORES_LAG_S * -curve.lag)
    bends = [np.maximum(curve.x - place, 0.0) for place in _bends(curve, bend_at)]
    free = np.column_stack((curve.further, *bends)) if bends else curve.further
    block_rows = min(max(curve.x.size // 60, 1), 6)
    if float(np.abs(curve.lag).max(initial=0.0)) <= 0.0:
        return _Model(
            curve, BreakModel(curve.x, curve.y, free, upward=True, spread=curve.spread), block_rows, draws
        )
    # The size of the errors, with their memory: what a mean over many rows feels.
    first = BreakModel(curve.x, curve.y, free, spread=curve.spread)
    residual = curve.y - (mean(curve.y) if first.fit is None else first.fit.predict(curve.x, free))
    memory = memory_of(residual)
    error = standard_deviation(residual) * np.sqrt((1.0 + memory) / (1.0 - memory))
    held = _STORES_LAG_SD_S / max(error, 1e-9 * float(np.abs(curve.y).max()))
    return _Model(curve, first.holding(curve.lag, held, upward=True), block_rows, draws)


def _line(curve: _Curve, fit: BrokenLine, bend_at: Sequence[float]) -> tuple[tuple[float, float], ...]:
    """Ends and bends of the fitted line; nothing where a further term of the curve bends it everywhere."""
    if curve.further.shape[1]:
        return ()
    bends = _bends(curve, bend_at)
    low, high = float(curve.x.min()), float(curve.x.max())
    places = np.array(sorted({low, fit.position, *(one for one in bends if low < one < high), high}))
    # The bends come first among the further terms; what is left of the onset is 0 here.
    steeper = zip(bends, fit.further, strict=False)
    values = fit.predict(places) + sum(rise * np.maximum(places - place, 0.0) for place, rise in steeper)
    return tuple(zip(places.tolist(), values.tolist(), strict=True))


def _apply(method: ThresholdMethod, rows: _Rows, bend_at: Sequence[float], draws: Draws) -> _Found:
    """One method on the rows; `bend_at` are uptakes of later bends that are known already."""
    curve = _curve(method, rows)
    if float(np.ptp(curve.x)) <= 1e-6 * float(np.abs(curve.x).max()):
        return _Found(method, reason="Oxygen uptake does not change in exercise.")
    if float(np.ptp(curve.y)) <= 1e-9 * float(np.abs(curve.y).max()):
        return _Found(method, reason=f"{_SAID[curve.y_name]} never changes in exercise.")
    model = _model(curve, bend_at, draws)
    fit, p_value = model.fit, model.p_value()
    record = MethodFit(
        method,
        curve.x_name,
        curve.y_name,
        fit,
        p_value,
        float(rows.time_s[0]),
        float(rows.time_s[-1]),
        len(rows),
        () if fit is None else _line(curve, fit, bend_at),
    )
    if fit is None or p_value is None or p_value > CLAIMED_AT:
        chance = "" if p_value is None else f" (p = {p_value:.3f}, asked for: at most {CLAIMED_AT:g})"
        text = f"{_SAID[curve.y_name]} on {_SAID[curve.x_name]} shows no break beyond chance{chance}."
        return _Found(method, reason=text, fit=record)
    little = _bends_too_little(method, fit)
    if little is not None:
        return _Found(method, reason=little, fit=record)
    ends = (fit.position, *model.interval(fit))
    vo2, low, high = (rows.uptake_at(one) for one in ends) if method == "ve_vco2" else ends
    return _Found(method, vo2, low, high, fit=record)


_SAID: Mapping[str, str] = {
    "vo2_ml_min": "VO2",
    "vco2_ml_min": "VCO2",
    "excess_co2_ml_min": "Excess CO2",
    "ve_l_min": "VE",
    "ve_vco2": "VE/VCO2",
}


def _later_bend(rows: _Rows, draws: Draws) -> float | None:
    """Uptake at a second rise of the slope of VCO2 on VO2, where there is one; it stands in for VT2.

    Of several places for the later break the best is taken, then each break is fitted with the other as a known bend until
    they no longer move. Both must be beyond chance beside the other, and rise enough.
    """
    curve = _curve("v_slope", rows)
    tried = []
    for place in np.quantile(curve.x, _LATER_BEND_TRIED):
        fit = _model(curve, (float(place),), draws).fit
        if fit is not None:
            tried.append((fit.sse, float(place), fit.position))
    if not tried:
        return None
    _, *pair = min(tried)
    low, high = sorted(pair)
    for _ in range(6):
        first = _model(curve, (high,), draws).fit
        second = None if first is None else _model(curve, (first.position,), draws).fit
        if first is None or second is None:
            return None
        before, (low, high) = (low, high), sorted((first.position, second.position))
        if abs(before[0] - low) + abs(before[1] - high) < 1e-3 * high:
            break
    for known in (low, high):
        model = _model(curve, (known,), draws)
        fit, p_value = model.fit, model.p_value()
        if (
            fit is None
            or p_value is None
            or p_value > CLAIMED_AT
            or _bends_too_little("v_slope", fit) is not None
        ):
            return None
    return high if high > low else None


# -- one test ---------------------------------------------------------------------------------------------


def find_thresholds(
    test: TestInput,
    marks: Marks,
    peak: Peak,
    *,
    tester: Sequence[TesterThreshold] = (),
    seed: int = 20_240_601,
    loads: Loads | None = None,
) -> Thresholds:
    """Find both ventilatory thresholds by every method, and set a tester's own beside them.

    Parameters
    ----------
    test : TestInput
        With the aberrant breaths left out; see `service.analysis.breath_care`.
    marks : Marks
    peak : Peak
        Of the same test, for the percentages.
    tester : sequence of TesterThreshold
        Set by a person.
    seed : int
        Of the resampling; the same seed gives the same answer.
    loads : Loads, optional
        Of the same test, where they are at hand.

    Returns
    -------
    Thresholds
        One item a method and threshold, with a reason for everything that cannot be had.

    Notes
    -----
    Rows before exercise and its first 30 s are left out, and rows that do not count. VT1: V-slope (Beaver, Wasserman and
    Whipp 1986), VE/VO2 with no rise of VE/VCO2, excess CO2. VT2: VE on VCO2 (slope at least 15 % steeper), rise of VE/VCO2.
    All from memory; see `SOURCES`. VT2 is sought first and is a known further bend in the fits of VT1, so that the data
    beyond it neither mislead nor are lost; where it cannot be had, a second rise of VCO2 on VO2 takes its place.
    """
    loads = find_loads(test, marks) if loads is None else loads
    too_long = _too_long(loads)
    rows, missing = _rows(test, marks)
    found: dict[ThresholdName, list[_Found]] = {"vt1": [], "vt2": []}
    unasked = missing or _not_graded(test, loads)
    if rows is not None and not unasked:
        draws = Draws(seed)
        found["vt2"] = _second(rows, too_long, draws)
        found["vt1"] = _first(rows, found["vt2"], too_long, draws)
    else:
        found["vt2"] = [_Found(method, reason=unasked) for method in VT2_METHODS]
        found["vt1"] = [_Found(method, reason=unasked) for method in VT1_METHODS]
    agreed = {name: _consensus(name, some) for name, some in found.items()}
    agreed = _in_their_order(agreed)

    first = agreed["vt1"].vo2
    response, response_basis = _mean_response(test, marks, rows, first)
    reader = _Reader(test, marks, rows, peak, response)
    items = [reader.item(name, one) for name in ("vt1", "vt2") for one in (*found[name], agreed[name])]
    items += [reader.set_by_tester(one) for one in tester]
    has_work = test.series.has("work_rate_w")
    return Thresholds(
        items=tuple(items),
        findings=(
            *_lag_findings(items, response, response_basis),
            *_order_findings(found),
            *_range_findings(items),
        ),
        mean_response_s=response if has_work else None,
        mean_response_basis=response_basis if has_work else None,
        smoothing=SMOOTHING if rows is not None else None,
        fits={one.method: one.fit for some in found.values() for one in some if one.fit is not None},
    )


def _rows(test: TestInput, marks: Marks) -> tuple[_Rows | None, str | None]:
    """The rows to fit, or why there are none."""
    series = test.series
    for key, name in (("vo2_ml_min", "VO2"), ("vco2_ml_min", "VCO2")):
        if not series.has(key):
            return None, f"The test has no {name}."
    counts = (
        counted_rows(series)
        & counted_rows(series, "vco2_ml_min")
        & full_rows_in_exercise(series, marks)
        & (series.start_s >= marks.exercise_start_s + LEFT_OUT_S - _SLACK_S)
    )
    lost = carbon_dioxide_lost(series, marks)
    counts &= ~lost
    n = int(counts.sum())
    if n < FEWEST_ROWS:
        because = " where the CO2 channel is not lost" if lost.any() else ""
        return None, (
            f"Only {n} rows of exercise after its first {LEFT_OUT_S:.0f} s have VO2 and VCO2 that count{because}; at least "
            f"{FEWEST_ROWS} are needed."
        )
    time = (series.end_s - 0.5 * series.duration_s)[counts]
    uptake, carbon = series.channel("vo2_ml_min")[counts], series.channel("vco2_ml_min")[counts]
    smooth = trends(time, (uptake, carbon), int(SMOOTHING.width))
    if min(float(one.min()) for one in smooth) <= 0:
        return None, "The trend of VO2 or VCO2 falls to zero; the gas channels cannot be right."
    air = series.channel("ve_l_min")[counts]
    # Ventilation is used where nearly all rows have it: gaps of single breaths are bridged by the ratio around them.
    there = counted_rows(series, "ve_l_min")[counts]
    equivalent = None
    if there.mean() >= 0.8:
        equivalent = np.interp(time, time[there], 1000.0 * air[there] / carbon[there])
    # A trend of about five terms; its SD is that of the scatter times the root of terms a row.
    doubt = [
        float((recorded - trend).std()) * float(np.sqrt(5.0 / n))
        for recorded, trend in zip((uptake, carbon), smooth, strict=True)
    ]
    rows = _Rows(
        time_s=time,
        uptake=smooth[0],
        carbon=smooth[1],
        rer=carbon / uptake,
        equivalent=equivalent,
        onset_s=marks.exercise_start_s,
        onset_rate=_onset_rate(series, marks, time, smooth[0]),
        uptake_doubt=doubt[0],
        carbon_doubt=doubt[1],
    )
    return rows, None


def _onset_rate(series: Series, marks: Marks, time_s: Floats, uptake: Floats) -> float:
    """How fast uptake rose at the onset, mL/min a second: the mean rise of the test, or more where it began with a jump."""
    span = float(time_s[-1] - time_s[0])
    mean = float(uptake[-1] - uptake[0]) / span if span > 0 else 0.0
    before = counted_rows(series) & (series.end_s <= marks.exercise_start_s + _SLACK_S)
    before &= series.start_s >= marks.exercise_start_s - _BASELINE_S - _SLACK_S
    since = float(time_s[0]) - marks.exercise_start_s
    if not before.any() or since <= 0:
        return max(mean, 0.0)
    jump = float(uptake[0] - series.channel("vo2_ml_min")[before].mean()) / since
    return max(mean, jump, 0.0)


def _not_graded(test: TestInput, loads: Loads) -> str | None:
    """Why no ventilatory threshold is asked for, whatever the method."""
    if test.purpose == "verification":
        return "A verification bout is at one load; thresholds are of graded exercise."
    if loads.shape in {"constant", "field"}:
        return (
            "The work rate never rises; thresholds need graded exercise."
            if loads.shape == "constant"
            else "A field test has no graded load; thresholds need graded exercise."
        )
    rising = np.flatnonzero(np.isfinite(loads.per_row) & (loads.per_row > 0))
    if rising.size and float(np.nanmax(loads.per_row)) <= float(loads.per_row[rising[0]]) * (1 + 1e-6):
        return "The work rate never rises; thresholds need graded exercise."
    if len({one.load for one in loads.stages if one.load is not None}) == 1:
        return "The test has one stage; thresholds need graded exercise."
    return None


def _too_long(loads: Loads) -> str | None:
    """Why VT1 is not assessable on the stages of this test."""
    if loads.shape == "ramp":
        return None
    lengths = [one.length_s for one in loads.stages[:-1]] or [one.length_s for one in loads.stages]
    if loads.shape == "step" and not lengths:
        return (
            "The test is in steps, but no load tells how long they are; VT1 is asked for only on a ramp or steps of at "
            "most 60 s."
        )
    if lengths and median(lengths) > LONGEST_STAGE_S + 1.0:
        return (
            f"Stages last {median(lengths):.0f} s; VT1 is asked for only on a ramp or steps of at most "
            f"{LONGEST_STAGE_S:.0f} s, because CO2 output follows each longer step more slowly than uptake."
        )
    if loads.shape in {None, "other"} and not lengths:
        known = np.isfinite(loads.per_row)
        if not known.any():
            return (
                "Neither the load nor the shape of the test is known; VT1 is asked for only on a ramp or steps of at most "
                "60 s. State the shape."
            )
    return None


def _second(rows: _Rows, too_long: str | None, draws: Draws) -> list[_Found]:
    if rows.equivalent is None:
        return [_Found(method, reason="The test has no ventilation.") for method in VT2_METHODS]
    if too_long is None:
        return [_apply(method, rows, (), draws) for method in VT2_METHODS]
    # The trend of uptake does not follow long steps, so little is sure there but that VE bends on VCO2.
    found = _apply("ve_vco2", rows, (), draws)
    if found.vo2 is not None:
        text = "No interval on stages of more than 60 s: uptake follows each step, and its trend does not show that."
        found = replace(found, low=None, high=None, reason=text)
    text = "VE/VCO2 is judged only on a ramp or steps of at most 60 s; on longer stages it errs too often."
    return [found, _Found("ve_vco2_equivalent", reason=text)]


def _first(rows: _Rows, second: Sequence[_Found], too_long: str | None, draws: Draws) -> list[_Found]:
    if too_long is not None:
        return [_Found(method, reason=too_long) for method in VT1_METHODS]
    known = [one.vo2 for one in second if one.vo2 is not None]
    bend = median(known) if known else _later_bend(rows, draws)
    bend_at = () if bend is None else (bend,)
    answer = []
    for method in VT1_METHODS:
        if method == "ventilatory_equivalents" and rows.equivalent is None:
            answer.append(_Found(method, reason="The test has no ventilation."))
            continue
        one = _apply(method, rows, bend_at, draws)
        if method == "ventilatory_equivalents" and one.vo2 is not None:
            one = _without_carbon_rise(one, rows, bend)
        answer.append(one)
    return answer


def _without_carbon_rise(one: _Found, rows: _Rows, bend: float | None) -> _Found:
    """VE/VO2 rises at VT1 while VE/VCO2 does not; where both rise from there, it is not VT1."""
    if rows.equivalent is None or one.vo2 is None:
        return one
    after = (rows.uptake >= one.vo2) & (rows.uptake <= (np.inf if bend is None else bend))
    if int(after.sum()) < LEAST_POINTS:
        return one
    span = float(np.ptp(rows.uptake[after]))
    if span <= 0:
        return one
    rise = {
        name: line_through(rows.uptake[after], values[after])[0] * span / mean(values[after])
        for name, values in (("o2", rows.equivalent * rows.rer), ("co2", rows.equivalent))
    }
    if rise["co2"] > 0.5 * rise["o2"] and rise["co2"] > 0.03:
        text = (
            f"VE/VCO2 rises by {100 * rise['co2']:.0f} % from the same point on, VE/VO2 by {100 * rise['o2']:.0f} %; at VT1 "
            "only VE/VO2 rises."
        )
        return _Found(one.method, reason=text, fit=one.fit)
    return one


def _consensus(name: ThresholdName, found: Sequence[_Found]) -> _Found:
    """Median of the most methods that agree within 10 % of their median; of equally many, the closest."""
    known = [one for one in found if one.vo2 is not None]
    values = [one.vo2 for one in known if one.vo2 is not None]
    if len(values) < 2:
        had = f"only {known[0].method} gives a value" if known else "no method gives a value"
        return _Found("consensus", reason=f"A consensus needs two methods; {had}.")
    for size in range(len(known), 1, -1):
        agreeing = [some for some in combinations(known, size) if _spread(some) <= AGREE_WITHIN]
        if agreeing:
            closest = min(agreeing, key=_spread)
            middle = median([one.vo2 for one in closest if one.vo2 is not None])
            low = min(one.low for one in closest if one.low is not None)
            high = max(one.high for one in closest if one.high is not None)
            return _Found("consensus", middle, low, high)
    said = ", ".join(f"{one.method} {one.vo2:.0f}" for one in known)
    text = (
        f"The methods of {name.upper()} do not agree within {100 * AGREE_WITHIN:.0f} %: {said} mL/min, a spread of "
        f"{max(values) - min(values):.0f} mL/min."
    )
    return _Found("consensus", reason=text)


def _spread(found: Sequence[_Found]) -> float:
    """Highest less lowest, as a part of the median."""
    values = [one.vo2 for one in found if one.vo2 is not None]
    return (max(values) - min(values)) / median(values)


def _in_their_order(agreed: Mapping[ThresholdName, _Found]) -> dict[ThresholdName, _Found]:
    first, second = agreed["vt1"].vo2, agreed["vt2"].vo2
    if first is None or second is None or first < second:
        return dict(agreed)
    text = f"VT1 ({first:.0f} mL/min) would not lie below VT2 ({second:.0f} mL/min), so neither is given."
    return {name: _Found("consensus", reason=text) for name in agreed}


# -- the lag of uptake ------------------------------------------------------------------------------------


def _mean_response(
    test: TestInput, marks: Marks, rows: _Rows | None, first_threshold: float | None
) -> tuple[float, ResponseBasis]:
    """Mean response time of uptake, from the onset of this test where that can be, else a stated value.

    Uptake is fitted as V0 + g F(t), F the work rate followed with one time constant, from a steady warm-up to VT1 (or 60 %
    of exercise). On a ramp it then runs one time constant behind its demand, so this is its mean response time. The work
    rate may be a ramp or steps.
    """
    stated: tuple[float, ResponseBasis] = (STATED_MEAN_RESPONSE_S, "stated_constant")
    series = test.series
    if rows is None or not series.has("work_rate_w"):
        return stated
    watts = counted_values(series, "work_rate_w")
    good = counted_rows(series) & np.isfinite(watts)
    from_s = marks.exercise_start_s - _WARM_UP_S
    warm = good & (series.end_s <= marks.exercise_start_s + _SLACK_S) & (series.start_s >= from_s - _SLACK_S)
    if float(series.duration_s[warm].sum()) < 0.7 * _WARM_UP_S or float(np.ptp(watts[warm])) > 3.0:
        return stated
    # Pedalling without load and sitting still are both 0 W; only a phase tells them apart.
    if not ((series.phase[warm] == _WARM_UP) | (watts[warm] > 3.0)).all():
        return stated
    until = marks.exercise_start_s + 0.6 * marks.duration_s
    if first_threshold is not None:
        reached = np.flatnonzero(rows.uptake >= first_threshold)
        until = float(rows.time_s[reached[0]]) if reached.size else until
    used = warm | (good & full_rows_in_exercise(series, marks) & (series.end_s <= until + _SLACK_S))
    if until < marks.exercise_start_s + _LEAST_RISING_S or int(used.sum()) < FEWEST_ROWS:
        return stated
    middle = series.end_s - 0.5 * series.duration_s
    found = _time_constant(middle[used], series.channel("vo2_ml_min")[used], watts[used])
    return stated if found is None else (found, "estimated")


def _time_constant(time_s: Floats, uptake: Floats, watts: Floats) -> float | None:
    """Time constant with which uptake follows the work rate; None where the data do not tell it well enough."""
    tried = np.arange(8.0, 112.1, 2.0)
    seconds = np.arange(time_s[0], time_s[-1] + 1.0)
    # A step lies between two rows; the later row knows the new work rate.
    load = watts[np.minimum(np.searchsorted(time_s, seconds), time_s.size - 1)]
    keep = np.exp(-1.0 / tried)
    # In place and without numbers of Python, because there are as many rounds as seconds.
    loads = np.repeat(load[:, None], tried.size, axis=1)
    followed = np.empty_like(loads)
    followed[0] = before = loads[0]
    subtract, multiply, add = np.subtract, np.multiply, np.add
    for row, now in zip(followed[1:], loads[1:], strict=True):
        subtract(before, now, row)
        multiply(row, keep, row)
        before = add(row, now, row)
    at = _between(time_s, seconds, followed)
    at -= at.mean(axis=0)
    about = uptake - uptake.mean()
    squares = np.einsum("ij,ij->j", at, at)
    if float(squares.min()) <= 0:
        return None
    gain = about @ at / squares
    left = float(about @ about) - gain**2 * squares
    best = int(np.argmin(left))
    if not 0 < best < tried.size - 1 or gain[best] <= 0:
        return None
    bend = float(left[best - 1] - 2.0 * left[best] + left[best + 1]) / 4.0
    if bend <= 0:
        return None
    error = float(left[best]) / max(time_s.size - 3, 1)
    if float(np.sqrt(2.0 * error / bend)) > _LEAST_SURE_S:
        return None
    found = float(tried[best] - 2.0 * (left[best + 1] - left[best - 1]) / (8.0 * bend))
    return found if _RESPONSE_S[0] <= found <= _RESPONSE_S[1] else None


def _between(time_s: Floats, seconds: Floats, columns: Floats) -> Floats:
    """Values of many columns at moments between the first and the last second, by straight lines (as `numpy.interp`)."""
    before = np.minimum(np.searchsorted(seconds, time_s, side="right") - 1, seconds.size - 2)
    rise = (columns[before + 1] - columns[before]) / (seconds[before + 1] - seconds[before])[:, None]
    at: Floats = rise * (time_s - seconds[before])[:, None] + columns[before]
    at[time_s == seconds[-1]] = columns[-1]
    return at


@known_of_series
def _known_load(series: Series, marks: Marks, key: str) -> tuple[Floats, Floats]:
    """Middles of the rows of exercise whose load is known, and the load."""
    load = exercise_load(series, marks, key)
    known = np.isfinite(load)
    return (series.end_s - 0.5 * series.duration_s)[known], load[known]


@dataclass(frozen=True, slots=True)
class _Reader:
    """Reads the rest of a threshold from the series, once its uptake or time is known."""

    test: TestInput
    marks: Marks
    rows: _Rows | None
    peak: Peak
    response_s: float

    def time_of(self, vo2: float) -> float | None:
        """When the trend of uptake first reached a value; None beyond it."""
        rows = self.rows
        if rows is None:
            return None
        highest = np.maximum.accumulate(rows.uptake)
        if not highest[0] <= vo2 <= highest[-1]:
            return None
        return float(np.interp(vo2, highest, rows.time_s))

    def mean_at(self, key: str, time_s: float) -> float | None:
        """Mean of a channel over the 20 s around a moment, or the row that holds it."""
        series = self.test.series
        if not series.has(key):
            return None
        counts = counted_rows(series, key) & full_rows_in_exercise(series, self.marks)
        near = (
            counts & (series.end_s > time_s - _READ_OVER_S / 2) & (series.start_s < time_s + _READ_OVER_S / 2)
        )
        if not near.any():
            return None
        weight = np.minimum(series.end_s[near], time_s + _READ_OVER_S / 2) - np.maximum(
            series.start_s[near], time_s - _READ_OVER_S / 2
        )
        return float(np.add.reduce(series.channel(key)[near] * weight) / np.add.reduce(weight))

    def load_at(self, key: str, time_s: float) -> float | None:
        """Load of the moment: on steps that of the row, on ramps by straight lines between rows."""
        series = self.test.series
        if not series.has(key) or not self.marks.exercise_start_s <= time_s <= self.marks.exercise_end_s:
            return None
        middle, load = _known_load(series, self.marks, key)
        if not middle.size:
            return None
        after = min(max(int(middle.searchsorted(time_s)), 1), max(middle.size - 1, 1))
        if middle.size > 1 and middle[after] - middle[after - 1] > 60.0:
            return None
        return float(np.interp(time_s, middle, load))

    def item(self, name: ThresholdName, found: _Found) -> Threshold:
        """The threshold of one method."""
        if found.vo2 is None:
            return Threshold(name, found.method, reason=found.reason)
        return self._filled(
            Threshold(
                name,
                found.method,
                vo2_ml_min=found.vo2,
                ci_low_ml_min=found.low,
                ci_high_ml_min=found.high,
                time_s=self.time_of(found.vo2),
            ),
            [] if found.reason is None else [found.reason],
        )

    def set_by_tester(self, stated: TesterThreshold) -> Threshold:
        """A person's own threshold, with what follows from it."""
        vo2, time = stated.vo2_ml_min, stated.time_s
        if time is None and vo2 is not None:
            time = self.time_of(vo2)
        if vo2 is None and time is not None and self.rows is not None:
            rows = self.rows
            if rows.time_s[0] <= time <= rows.time_s[-1]:
                vo2 = float(np.interp(time, rows.time_s, rows.uptake))
        return self._filled(
            Threshold(
                stated.threshold,
                "tester",
                "tester",
                vo2_ml_min=vo2,
                time_s=time,
                heart_rate_bpm=stated.heart_rate_bpm,
                work_rate_w=stated.work_rate_w,
                speed_km_h=stated.speed_km_h,
            ),
            [f"Set by {stated.who}: {stated.why.rstrip('.')}."],
        )

    def _filled(self, item: Threshold, said: list[str]) -> Threshold:
        time = item.time_s
        heart_rate, work, speed = item.heart_rate_bpm, item.work_rate_w, item.speed_km_h
        corrected = percent = None
        if item.vo2_ml_min is None:
            said.append("Neither an uptake nor a time within the recording is stated.")
        elif self.peak.vo2_ml_min is None:
            said.append("There is no peak uptake to compare with.")
        else:
            percent = 100.0 * item.vo2_ml_min / self.peak.vo2_ml_min
        if time is None:
            said.append(
                "The trend of uptake does not pass the threshold, so time, heart rate and load cannot be read."
            )
        else:
            heart_rate = self.mean_at("heart_rate_bpm", time) if heart_rate is None else heart_rate
            work = self.load_at("work_rate_w", time) if work is None else work
            speed = self.load_at("speed_km_h", time) if speed is None else speed
            corrected = self.load_at("work_rate_w", time - self.response_s)
            said += self._missing(heart_rate, work, corrected, speed)
        if item.basis == "tester":
            said.append("A tester's threshold has no interval.")
        return replace(
            item,
            percent_of_peak=percent,
            heart_rate_bpm=heart_rate,
            work_rate_w=work,
            work_rate_lag_corrected_w=corrected,
            speed_km_h=speed,
            reason=" ".join(said) or None,
        )

    def _missing(
        self, heart_rate: float | None, work: float | None, corrected: float | None, speed: float | None
    ) -> list[str]:
        answer = []
        series = self.test.series
        for value, key, name in (
            (heart_rate, "heart_rate_bpm", "heart rate"),
            (work, "work_rate_w", "work rate"),
            (speed, "speed_km_h", "speed"),
        ):
            if value is None:
                where = "at that time" if series.has(key) else "in the test"
                answer.append(f"No {name} {where}.")
        if corrected is None and work is not None:
            answer.append(
                f"The work rate {self.response_s:.0f} s earlier, for the lag of uptake, lies before exercise or is missing."
            )
        return answer


# -- findings ---------------------------------------------------------------------------------------------


def _lag_findings(items: Sequence[Threshold], response_s: float, basis: ResponseBasis) -> list[Finding]:
    if all(one.work_rate_lag_corrected_w is None for one in items):
        return []
    source = (
        "estimated from the onset of this test"
        if basis == "estimated"
        else "a common value (from memory), because the onset of this test does not tell it"
    )
    return [
        finding(
            "threshold_lag",
            f"Work rates at thresholds are corrected for a mean response time of uptake of {response_s:.0f} s, {source}.",
        )
    ]


def _order_findings(found: Mapping[ThresholdName, Sequence[_Found]]) -> list[Finding]:
    answer = []
    for name, some in found.items():
        values = {one.method: one.vo2 for one in some if one.vo2 is not None}
        if len(values) < 2:
            continue
        spread = max(values.values()) - min(values.values())
        if spread > AGREE_WITHIN * median(list(values.values())):
            said = ", ".join(f"{method} {value:.0f}" for method, value in values.items())
            answer.append(
                finding(
                    "threshold_methods_differ",
                    f"{name.upper()}: {said} mL/min, a spread of {spread:.0f} mL/min.",
                )
            )
    return answer


def _range_findings(items: Sequence[Threshold]) -> list[Finding]:
    low, high = USUAL_PERCENT_OF_PEAK
    return [
        finding(
            "threshold_outside_usual",
            f"VT1 by {one.method} lies at {one.percent_of_peak:.0f} % of peak uptake; {low:.0f} to {high:.0f} % is usual.",
        )
        for one in items
        if one.threshold == "vt1"
        and one.percent_of_peak is not None
        and not low <= one.percent_of_peak <= high
    ]
