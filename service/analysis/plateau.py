"""Plateau: whether oxygen uptake stopped rising although the load still rose.

The primary rule asks for less than half the rise that the submaximal part of the same test leads one to expect, over
windows of 60 s (niemeyer_2021, midgley_2009). Fixed rules stand beside it where the load rose enough for them to mean
anything. A rule is judged only where the test's own noise leaves it a fair chance of being right. No plateau is normal
and fails nobody.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from service.analysis.loads import (
    NO_GAIT,
    UNFINISHED_STAGE_PART,
    UNFINISHED_STAGE_S,
    UNKNOWN_SIDE,
    Loads,
    Stage,
)
from service.analysis.marks import Marks, counted_rows
from service.analysis.moments import line_through, median
from service.analysis.plain import record_dict
from service.analysis.series import Bools, Floats, Series, TestInput
from service.analysis.windows import LEAST_COVERED_FRACTION, mean_of_rows, seconds_inside
from service.errors import InvalidContent, Place
from service.findings import Finding, finding

RuleVerdict = Literal["seen", "not_seen", "not_assessable"]

STEP_RULE = "half_expected_rise_step"
RAMP_RULE = "half_expected_rise_ramp"

#: mL/min per W, the common value on the cycle (value from memory), where a test has too few stages for its own.
CYCLE_GAIN_ML_MIN_W = 10.0
#: One-sided 5 % point of the normal distribution.
GATE_STANDARD_ERRORS = 1.64

_WINDOW_S = 60.0
_SHORT_STAGE_S = 120.0
_SHORT_WINDOW_S = 30.0
_EDGE_S = 120.0  # left out of the submaximal part of a ramp at either end
_LEAST_LINE_S = 120.0
_LEAST_LINE_ROWS = 4
_LEAST_FREEDOM = 2
_LEAST_SPAN = 0.75  # of the load step compared: loads of the submaximal points must differ by this
_CLEAN_S = 15.0  # a row that reaches further into recovery tells of recovery
_SETTLING_S = 60.0  # uptake still rises fast in the first minute of a stage
_MEMORY_S = 30.0  # residuals further apart are taken as independent
_SLACK_S = 1e-6


@dataclass(frozen=True, slots=True)
class RuleKind:
    """A rule that can be asked for.

    Attributes
    ----------
    rule : str
        Stable id.
    label : str
    threshold : float or None
        Of a fixed rule; None where it follows from the test.
    unit : str
    source : str
        Citation keys.
    """

    rule: str
    label: str
    threshold: float | None
    unit: str
    source: str
    up_to: bool = False  # the threshold itself still counts as a plateau


PLATEAU_RULES: Mapping[str, RuleKind] = MappingProxyType(
    {
        kind.rule: kind
        for kind in (
            RuleKind(
                STEP_RULE,
                "Less than half the expected rise between stages",
                None,
                "mL/min",
                "niemeyer_2021; midgley_2009 (value from memory); windows and gate are defaults of this project",
            ),
            RuleKind(
                RAMP_RULE,
                "Less than half the expected rise over the last minute",
                None,
                "mL/min",
                "niemeyer_2021; midgley_2009 (value from memory); windows and gate are defaults of this project",
            ),
            RuleKind("rise_below_150_ml_min", "Rise below 150 mL/min", 150.0, "mL/min", "taylor_1955"),
            RuleKind("rise_below_2_1_ml_kg_min", "Rise below 2.1 mL/kg/min", 2.1, "mL/kg/min", "taylor_1955"),
            RuleKind(
                "rise_at_most_80_ml_min",
                "Rise of at most 80 mL/min",
                80.0,
                "mL/min",
                "astrand_1960 (value from memory)",
                up_to=True,
            ),
        )
    }
)
_FIXED_RULES = tuple(kind for kind in PLATEAU_RULES.values() if kind.threshold is not None)


@dataclass(frozen=True, slots=True)
class PlateauRule:
    """What one rule says of one test.

    Attributes
    ----------
    rule : str
        Key of `PLATEAU_RULES`.
    primary : bool
        Whether the verdict is this rule's.
    verdict : {"seen", "not_seen", "not_assessable"}
    observed : float or None
        Rise of mean uptake between the two windows, in `unit`.
    threshold : float or None
        A rise below it is a plateau.
    expected_rise : float or None
        Rise that the submaximal part of the test leads one to expect, in `unit`.
    standard_error : float or None
        Of the observed rise, from the test's own residuals, in `unit`.
    window_s : float or None
        Length of each window.
    unit : str
    reason : str or None
        Why it cannot be assessed, or how the expected rise was had where that is not the usual way.
    source : str
    """

    rule: str
    primary: bool
    verdict: RuleVerdict
    observed: float | None
    threshold: float | None
    expected_rise: float | None
    standard_error: float | None
    window_s: float | None
    unit: str
    reason: str | None
    source: str


@dataclass(frozen=True, slots=True)
class PlateauFit:
    """What a chart draws: the submaximal line and the two windows compared.

    Attributes
    ----------
    basis : {"load", "time", "common_gain"}
        What the expected rise was taken over.
    slope : float
        mL/min per unit of load, or per second.
    points : tuple of (float, float)
        Time (s) and uptake (mL/min) on the submaximal line, at its ends and at the end of the last window; empty where
        there is no line.
    earlier, later : tuple of (float, float, float)
        Start, end (s) and mean uptake (mL/min) of the windows compared.
    """

    basis: Literal["load", "time", "common_gain"]
    slope: float
    points: tuple[tuple[float, float], ...]
    earlier: tuple[float, float, float]
    later: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Plateau:
    """Whether a plateau was seen.

    Attributes
    ----------
    verdict : {"seen", "not_seen", "not_assessable"}
        Of the primary rule.
    rules : tuple of PlateauRule
        The primary rule first.
    fit : PlateauFit or None
        None where nothing could be compared.
    findings : tuple of Finding
    """

    verdict: RuleVerdict
    rules: tuple[PlateauRule, ...]
    fit: PlateauFit | None = None
    findings: tuple[Finding, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "verdict": self.verdict,
            "rules": [record_dict(one) for one in self.rules],
            "fit": None if self.fit is None else record_dict(self.fit),
        }

    def doubted(self, reason: str) -> "Plateau":
        """The same comparison with no verdict: what was measured in its windows is not to be trusted."""
        rules = tuple(
            one if one.verdict == "not_assessable" else replace(one, verdict="not_assessable", reason=reason)
            for one in self.rules
        )
        return replace(self, verdict="not_assessable", rules=rules)

    @property
    def primary(self) -> PlateauRule:
        """The rule whose verdict counts."""
        return self.rules[0]


@dataclass(frozen=True, slots=True)
class _Comparison:
    """Two windows, what was found and what was to be expected; or why not."""

    window_s: float | None = None
    observed: float | None = None
    expected: float | None = None
    standard_error: float | None = None
    fit: PlateauFit | None = None
    remark: str | None = None
    reason: str | None = None


def assess_plateau(test: TestInput, marks: Marks, loads: Loads, rule: str | None = None) -> Plateau:
    """Judge whether uptake levelled off, by one primary rule and the fixed ones beside it.

    Parameters
    ----------
    test : TestInput
    marks : Marks
    loads : Loads
    rule : str, optional
        Key of `PLATEAU_RULES` to be primary; the rule of the test's shape if left out.

    Returns
    -------
    Plateau

    Raises
    ------
    InvalidContent
        There is no such rule.

    Notes
    -----
    Step: mean uptake of the last 60 s (30 s where stages are shorter than 2 min) of the last two stages that count;
    expected rise = slope of uptake on load over the earlier stages and the last minute of the warm-up, times the step.
    Ramp: mean of the last 60 s minus that of the 60 s before; expected rise = slope of the least-squares line of uptake
    on load from 2 min after onset to 2 min before the end, times the rise of load between the windows. Seen: rise < half
    the expected rise (niemeyer_2021).

    Gate: half the expected rise must be at least 1.64 standard errors of the difference, so that chance alone makes a
    plateau of a steady rise in at most 5 % of tests. Its variance is sum_k (1 - k/(K+1)) g_k sum_i c_i c_(i+k) over both
    signs of k, c the weights of the rows in the difference, g_k the autocovariance at k rows of the scatter about a
    line in each stage or about a parabola in the submaximal part of a ramp, K the
    rows in 30 s (newey_1987); never below that of independent rows.
    """
    if rule is not None and rule not in PLATEAU_RULES:
        known = ", ".join(PLATEAU_RULES)
        raise InvalidContent(
            f"There is no plateau rule {rule!r}; use one of {known}.",
            (Place("plateau_rule", f"one of {known}", rule),),
        )
    by_shape = RAMP_RULE if loads.shape == "ramp" else STEP_RULE
    compared = _compare(test, marks, loads)
    main = PLATEAU_RULES[by_shape]
    judged = [_half_rule(main, compared)]
    judged += [_fixed_rule(kind, compared, test.person.body_mass_kg) for kind in _FIXED_RULES]
    primary = rule or by_shape
    if primary not in {one.rule for one in judged}:
        other = PLATEAU_RULES[primary]
        wanted = "a ramp" if primary == RAMP_RULE else "a test in steps"
        judged.insert(0, _not_assessable(other, compared, f"this rule is for {wanted}"))
    judged = [replace(one, primary=one.rule == primary) for one in judged]
    judged.sort(key=lambda one: not one.primary)
    return Plateau(judged[0].verdict, tuple(judged), compared.fit, _fall(judged[0], compared))


def _fall(primary: PlateauRule, compared: _Comparison) -> tuple[Finding, ...]:
    """Say so where uptake fell by more than chance: that is rather a leak than a plateau."""
    observed, error = compared.observed, compared.standard_error
    if (
        primary.verdict != "seen"
        or observed is None
        or error is None
        or observed > -2 * GATE_STANDARD_ERRORS * error
    ):
        return ()
    return (
        finding(
            "uptake_fell_at_end",
            f"Oxygen uptake fell by {-observed:.0f} mL/min over the windows compared while the load rose.",
        ),
    )


def _not_assessable(kind: RuleKind, compared: _Comparison, reason: str, scale: float = 1.0) -> PlateauRule:
    def scaled(value: float | None) -> float | None:
        return None if value is None else value / scale

    return PlateauRule(
        kind.rule,
        False,
        "not_assessable",
        scaled(compared.observed),
        kind.threshold,
        scaled(compared.expected),
        scaled(compared.standard_error),
        compared.window_s,
        kind.unit,
        reason,
        kind.source,
    )


def _half_rule(kind: RuleKind, compared: _Comparison) -> PlateauRule:
    refused = _not_assessable(kind, compared, "")
    if compared.expected is not None:
        refused = replace(refused, threshold=compared.expected / 2)
    reason = compared.reason or _gate(compared)
    if reason is not None or compared.observed is None or compared.expected is None:
        return replace(refused, reason=reason)
    seen = compared.observed < compared.expected / 2
    return replace(refused, verdict="seen" if seen else "not_seen", reason=compared.remark)


def _fixed_rule(kind: RuleKind, compared: _Comparison, body_mass_kg: float | None) -> PlateauRule:
    scale = 1.0
    if kind.unit == "mL/kg/min":
        if body_mass_kg is None:
            return _not_assessable(
                kind, _Comparison(window_s=compared.window_s), "the visit has no body mass"
            )
        scale = body_mass_kg
    refused = _not_assessable(kind, compared, "", scale)
    threshold = kind.threshold
    if compared.reason is not None or refused.expected_rise is None or refused.observed is None:
        return replace(refused, reason=compared.reason)
    if threshold is None or refused.expected_rise < 2 * threshold:
        return replace(
            refused,
            reason=(
                f"the expected rise of {refused.expected_rise:.1f} {kind.unit} is less than twice the threshold, so a "
                "steady rise could meet the rule"
            ),
        )
    if (reason := _gate(compared)) is not None:
        return replace(refused, reason=reason)
    seen = refused.observed <= threshold if kind.up_to else refused.observed < threshold
    return replace(refused, verdict="seen" if seen else "not_seen", reason=compared.remark)


def _gate(compared: _Comparison) -> str | None:
    if compared.standard_error is None or compared.expected is None:
        return "the intervals are too few or too long to tell a change from chance"
    if compared.expected / 2 < GATE_STANDARD_ERRORS * compared.standard_error:
        return (
            f"half the expected rise ({compared.expected / 2:.0f} mL/min) is less than {GATE_STANDARD_ERRORS} standard "
            f"errors of the difference ({compared.standard_error:.0f} mL/min), so chance alone could decide"
        )
    return None


def _compare(test: TestInput, marks: Marks, loads: Loads) -> _Comparison:
    if test.purpose == "submaximal":
        return _Comparison(reason="the test was planned to be submaximal")
    if not test.series.has("vo2_ml_min"):
        return _Comparison(reason="the test has no oxygen uptake")
    if loads.shape == "ramp":
        return _compare_ramp(test, marks, loads)
    if loads.shape == "step":
        return _compare_steps(test.series, marks, loads, cycle=test.mode == "cycle")
    if loads.shape is None:
        return _Comparison(
            reason=f"{loads.reason or 'the load is not known'}, and the shape of the test is not stated"
        )
    return _Comparison(reason=f"a plateau needs a load that rises; the shape of this test is {loads.shape}")


def _clean_end(series: Series, marks: Marks) -> float:
    """End of exercise, or of its last full row where the row cut by the end is mostly recovery or long.

    A fall of uptake in recovery would look like a plateau.
    """
    end = marks.exercise_end_s
    cut = (series.start_s < end - _SLACK_S) & (series.end_s > end + _CLEAN_S + _SLACK_S)
    (rows,) = np.nonzero(cut)
    return float(series.start_s[rows[0]]) if rows.size else end


def _mean(series: Series, counts: Bools, start_s: float, end_s: float) -> float | None:
    value, covered = mean_of_rows(series, series.channel("vo2_ml_min"), counts, start_s, end_s)
    return value if covered >= LEAST_COVERED_FRACTION - 1e-9 else None


# -- Steps -------------------------------------------------------------------------------------------------------


def _compare_steps(series: Series, marks: Marks, loads: Loads, *, cycle: bool) -> _Comparison:
    if loads.reason is not None:
        return _Comparison(reason=loads.reason)
    counted = _stages_done(series, marks, loads)
    if len(counted) < 2:
        return _Comparison(reason="fewer than two stages were done long enough")
    before, last = counted[-2], counted[-1]
    planned = last.planned_s or last.length_s
    window = _SHORT_WINDOW_S if planned < _SHORT_STAGE_S - 5.0 else _WINDOW_S
    empty = _Comparison(window_s=window)
    if before.load is None or last.load is None or UNKNOWN_SIDE in {before.side, last.side}:
        return replace(empty, reason=_unknown_load(loads))
    if before.side != last.side:
        return replace(
            empty, reason="the two stages lie on either side of the change from walking to running"
        )
    if last.load <= before.load:
        return replace(empty, reason="the load did not rise between the last two stages that count")
    counts = counted_rows(series)
    low = _mean(series, counts, before.end_s - window, before.end_s)
    high = _mean(series, counts, last.end_s - window, last.end_s)
    if low is None or high is None:
        return replace(empty, reason=f"the last {window:g} s of the two stages are not covered to 80 %")
    empty = replace(empty, observed=high - low)

    step = last.load - before.load
    points = _submaximal_points(series, marks, loads, counted[:-2], counts, window, last.side)
    if points and np.ptp([point[1] for point in points]) < _LEAST_SPAN * step:
        points = points[-1:]  # loads so near each other tell no slope
    slope, remark, line = (
        CYCLE_GAIN_ML_MIN_W,
        None,
        None,
    )  # the line's value at no load, where there is a line
    if len(points) >= 2:
        x, y = np.array([point[1] for point in points]), np.array([point[2] for point in points])
        slope, line = line_through(x, y)
    elif cycle:
        remark = (
            f"fewer than two submaximal stages remain, so the expected rise is {CYCLE_GAIN_ML_MIN_W:g} mL/min/W, a "
            "common value"
        )
    else:
        return replace(empty, reason="fewer than two submaximal stages remain to tell the expected rise")
    expected = slope * step
    if expected <= 0:
        return replace(
            empty, expected=expected, reason="uptake does not rise with load in the submaximal stages"
        )
    drawn: tuple[tuple[float, float], ...] = ()
    if line is not None:
        ends = (points[0][:2], points[-1][:2], (last.end_s, last.load))
        drawn = tuple((time, slope * load + line) for time, load in ends)
    fit = PlateauFit(
        "common_gain" if line is None else "load",
        slope,
        drawn,
        (before.end_s - window, before.end_s, low),
        (last.end_s - window, last.end_s, high),
    )
    error = _step_standard_error(series, counts, counted, window, (before, last))
    if error is None and line is not None and len(points) >= 2 + _LEAST_FREEDOM:
        misses = y - (slope * x + line)
        error = float(np.sqrt(2 * np.dot(misses, misses) / (len(points) - 2)))
    return replace(empty, expected=expected, standard_error=error, fit=fit, remark=remark)


def _stages_done(series: Series, marks: Marks, loads: Loads) -> list[Stage]:
    """Stages that count, the last one without a row that is mostly recovery."""
    counted = [stage for stage in loads.stages if stage.counts]
    end = _clean_end(series, marks)
    if counted and counted[-1].end_s > end + _SLACK_S:
        last = replace(counted[-1], end_s=end)
        least = min(UNFINISHED_STAGE_S, UNFINISHED_STAGE_PART * (last.planned_s or UNFINISHED_STAGE_S))
        counted = [*counted[:-1], *([last] if last.length_s >= least - _SLACK_S else [])]
    return counted


def _unknown_load(loads: Loads) -> str:
    if loads.unit == "W":
        return "the load of the two windows is not known"
    return "the load of the two windows is not known: the speed does not tell walking from running, or speed or grade is missing"


def _submaximal_points(
    series: Series,
    marks: Marks,
    loads: Loads,
    stages: Sequence[Stage],
    counts: Bools,
    window: float,
    side: int,
) -> list[tuple[float, float, float]]:
    """Time, load and uptake of the warm-up's last minute and of the stages before the two compared."""
    points = []
    start = marks.exercise_start_s
    uptake = _mean(series, counts & loads.warm_up & (loads.side == side), start - _WINDOW_S, start)
    load, covered = mean_of_rows(series, loads.per_row, loads.warm_up, start - _WINDOW_S, start)
    if uptake is not None and covered >= LEAST_COVERED_FRACTION:
        points.append((start, load, uptake))
    for stage in stages:
        if stage.load is None or stage.side != side or not stage.completed:
            continue
        uptake = _mean(series, counts, stage.end_s - window, stage.end_s)
        if uptake is not None:
            points.append((stage.end_s, stage.load, uptake))
    return points


def _step_standard_error(
    series: Series, counts: Bools, stages: Sequence[Stage], window: float, pair: tuple[Stage, Stage]
) -> float | None:
    """Standard error of the difference, from the scatter of rows about a line within each stage's window."""
    uptake = series.channel("vo2_ml_min")
    pieces = []
    for stage in stages:
        # Rows longer than 15 s are too few in the window itself: what is settled before it helps.
        since = min(max(stage.start_s + _SETTLING_S, stage.end_s - 2 * window), stage.end_s - window)
        rows = counts & (series.end_s <= stage.end_s + _SLACK_S)
        rows &= series.start_s >= since - _SLACK_S
        if rows.sum() >= 3:
            pieces.append(_about_curve(0.5 * (series.start_s + series.end_s)[rows], uptake[rows], 1))
    weights = [
        _weights(series, counts, stage.end_s - window, stage.end_s) * sign
        for stage, sign in zip(pair, (-1.0, 1.0), strict=True)
    ]
    return _standard_error(pieces, 2 * len(pieces), np.sum(weights, axis=0), series.duration_s)


# -- Ramps -------------------------------------------------------------------------------------------------------


def _compare_ramp(test: TestInput, marks: Marks, loads: Loads) -> _Comparison:
    series = test.series
    basis: Literal["load", "time"] = "load"
    if loads.reason is not None:
        if loads.unit != "W":
            return _Comparison(reason=loads.reason)
        basis = "time"  # a ramp stated for an ergometer rises steadily by definition
    end, window = _clean_end(series, marks), _WINDOW_S
    middle = end - window
    empty = _Comparison(window_s=window)
    counts = counted_rows(series)
    touched = counts & (seconds_inside(series, middle - window, end) > _SLACK_S)
    if (series.duration_s[touched] > window * 1.05).any():
        return replace(empty, reason=f"the intervals are longer than the windows of {window:g} s")
    low = _mean(series, counts, middle - window, middle)
    high = _mean(series, counts, middle, end)
    if low is None or high is None or middle - window < marks.exercise_start_s:
        return replace(empty, reason=f"the last {2 * window:g} s of exercise are not covered to 80 %")
    empty = replace(empty, observed=high - low)

    time = 0.5 * (series.start_s + series.end_s)
    x, side, rise, reason = time, int(NO_GAIT), window, None
    if basis == "load":
        x = loads.per_row
        side, rise, reason = _load_rise(series, loads, counts & touched, middle, end)
    if reason is not None:
        return replace(empty, reason=reason)

    line_from, line_to = marks.exercise_start_s + _EDGE_S, end - _EDGE_S
    rows = counts & (series.start_s >= line_from - _SLACK_S) & (series.end_s <= line_to + _SLACK_S)
    if basis == "load":
        rows &= np.isfinite(x) & (loads.side == side)
    if series.duration_s[rows].sum() < _LEAST_LINE_S * 0.95 or rows.sum() < _LEAST_LINE_ROWS:
        return replace(
            empty,
            reason=(
                "less than 2 min lie between 2 min after onset and 2 min before the end with a comparable load, too little "
                "for a submaximal line"
            ),
        )
    uptake = series.channel("vo2_ml_min")
    # Rows weigh as long as they last, as in every mean; breaths near the end are shorter.
    root = np.sqrt(series.duration_s[rows])
    if np.ptp(x[rows]) <= 0:
        return replace(empty, reason="the load did not rise in the submaximal part")
    slope, start = line_through(x[rows], uptake[rows], root)
    expected = slope * rise
    if expected <= 0:
        return replace(
            empty, expected=expected, reason="uptake does not rise with load in the submaximal part"
        )
    # Scatter about a curve: a bend of uptake, such as a long plateau makes, is not chance.
    misses = _about_curve(x[rows], uptake[rows], 2)
    weights = _weights(series, counts, middle, end) - _weights(series, counts, middle - window, middle)
    error = _standard_error([misses], 3, weights, series.duration_s[rows])
    (used,) = np.nonzero(rows)
    at_end = float(x[np.nonzero(touched & np.isfinite(x))[0][-1]])
    fit = PlateauFit(
        basis,
        slope,
        (
            (float(time[used[0]]), slope * float(x[used[0]]) + start),
            (float(time[used[-1]]), slope * float(x[used[-1]]) + start),
            (end, slope * at_end + start),
        ),
        (middle - window, middle, low),
        (middle, end, high),
    )
    remark = None
    if basis == "time":
        remark = "the test has no work rates, so the expected rise was taken over time, as of a ramp that rises steadily"
    return replace(empty, expected=expected, standard_error=error, fit=fit, remark=remark)


def _load_rise(
    series: Series, loads: Loads, touched: Bools, middle: float, end: float
) -> tuple[int, float, str | None]:
    """Side and rise of load between the last two minutes; or why they cannot be compared."""
    sides = {int(side) for side in loads.side[touched]}
    if len(sides - {UNKNOWN_SIDE}) > 1:
        return UNKNOWN_SIDE, 0.0, "the last 2 min lie on either side of the change from walking to running"
    known = np.isfinite(loads.per_row)
    means = []
    for start_s, end_s in ((middle - _WINDOW_S, middle), (middle, end)):
        load, covered = mean_of_rows(series, loads.per_row, known, start_s, end_s)
        if covered < LEAST_COVERED_FRACTION or UNKNOWN_SIDE in sides:
            return UNKNOWN_SIDE, 0.0, _unknown_load(loads)
        means.append(load)
    rise = means[1] - means[0]
    if rise <= 1e-9:
        return UNKNOWN_SIDE, 0.0, "the load did not rise over the last 2 min"
    return sides.pop(), rise, None


# -- Chance ------------------------------------------------------------------------------------------------------


def _about_curve(x: Floats, y: Floats, degree: int) -> Floats:
    """Residuals of a polynomial in x."""
    centred = x - x.mean()
    # Through fewer distinct loads than coefficients many curves go, all with the same residuals.
    degree = min(degree, np.unique(centred).size - 1)
    misses: Floats = y - np.polyval(np.polyfit(centred, y, degree), centred)
    return misses


def _weights(series: Series, counts: Bools, start_s: float, end_s: float) -> Floats:
    """Weight of each row in the mean of a window."""
    time = np.where(counts, seconds_inside(series, start_s, end_s), 0.0)
    weights: Floats = time / time.sum()
    return weights


def _standard_error(
    pieces: Sequence[Floats], parameters: int, weights: Floats, duration_s: Floats
) -> float | None:
    """Standard error of a weighted difference, from pieces of residuals with their autocovariance (newey_1987).

    Parameters
    ----------
    pieces : sequence of ndarray of float
        Residuals, mL/min, each piece in order of time.
    parameters : int
        Fitted in all pieces together.
    weights : ndarray of float
        Of all rows in the difference; they sum to 0.
    duration_s : ndarray of float
        Length of rows, for how many of them 30 s hold.

    Returns
    -------
    float or None
        mL/min; None where fewer than two degrees of freedom remain.
    """
    total = sum(piece.size for piece in pieces)
    freedom = total - parameters
    if freedom < _LEAST_FREEDOM:
        return None
    (inside,) = np.nonzero(weights)
    contrast = weights[inside[0] : inside[-1] + 1]
    shortest = min(piece.size for piece in pieces)
    lags = min(int(_MEMORY_S / median(duration_s)), shortest // 4)
    variance = sum(float(np.dot(piece, piece)) for piece in pieces) / freedom
    independent = variance * float(np.dot(contrast, contrast))
    together = independent
    for lag in range(1, lags + 1):
        covariance = sum(float(np.dot(piece[:-lag], piece[lag:])) for piece in pieces) / freedom
        taper = 1.0 - lag / (lags + 1)
        together += 2 * taper * covariance * float(np.dot(contrast[:-lag], contrast[lag:]))
    return float(np.sqrt(max(independent, together)))
