"""Ranges for training, from measured thresholds where there are any, else from published bands."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, Literal

from service.analysis.formulas import applied
from service.analysis.peaks import Maxima, Peak
from service.analysis.series import TestInput
from service.methods.ratios import metabolic_equivalents
from service.quantities import QUANTITIES

Basis = Literal["thresholds", "heart_rate_reserve", "vo2_reserve"]

#: Bands of heart-rate and uptake reserve, per cent: name, from, to (acsm_2021, values from memory).
BANDS: tuple[tuple[str, float, float | None], ...] = (
    ("moderate", 40.0, 59.0),
    ("vigorous", 60.0, 89.0),
    ("near-maximal", 90.0, None),
)
BANDS_SOURCE = "acsm_2021 (value from memory)"
#: Common practice, no source.
_BELOW, _BETWEEN, _ABOVE = "below the first threshold", "between the thresholds", "above the second threshold"
THRESHOLDS_SOURCE = (
    "common practice, no source: training is described by the domains that two thresholds part"
)
_ESTIMATE = "An estimate from a test with rising load, to be checked at constant load."
_NOT_MAXIMAL = (
    "This test is not known to be maximal, so no range is given by uptake: it would come out too low."
)
_PREDICTED_REMARK = (
    "The maximum is predicted from age, with a standard deviation of 10 to 12 beats/min between people: the range may be off "
    "by that much."
)
_PREDICTION = "heart_rate_max_tanaka"


@dataclass(frozen=True, slots=True)
class ThresholdPoint:
    """What a threshold came to, from whichever method.

    Attributes
    ----------
    threshold : {"vt1", "vt2", "lt"}
    method : str
    vo2_ml_min, heart_rate_bpm, work_rate_w, speed_km_h : float or None
        `work_rate_w` corrected for the lag of uptake.
    words : str
        What the method is called; `method` if left out.
    source : str
        Of the method, where it has one of its own.
    remark : str
        What has to be said beside every range that ends here.
    """

    threshold: Literal["vt1", "vt2", "lt"]
    method: str
    vo2_ml_min: float | None = None
    heart_rate_bpm: float | None = None
    work_rate_w: float | None = None
    speed_km_h: float | None = None
    words: str = ""
    source: str = ""
    remark: str = ""

    @property
    def name(self) -> str:
        """The method in words."""
        return self.words or self.method


@dataclass(frozen=True, slots=True)
class TrainingRange:
    """One range.

    Attributes
    ----------
    name : str
    basis : {"thresholds", "heart_rate_reserve", "vo2_reserve"}
    basis_text : str
        What it rests on, in words.
    low_percent, high_percent : float or None
        Of the reserve; None for ranges between thresholds.
    heart_rate_low_bpm, heart_rate_high_bpm : float or None
        None at an open end, and where the reason says so.
    vo2_low_ml_min, vo2_high_ml_min : float or None
    vo2_low_ml_kg_min, vo2_high_ml_kg_min, mets_low, mets_high : float or None
    work_rate_low_w, work_rate_high_w, speed_low_km_h, speed_high_km_h : float or None
    remark : str or None
    reason : str or None
        Why a part of it is missing.
    source : str
    """

    name: str
    basis: Basis
    basis_text: str
    low_percent: float | None = None
    high_percent: float | None = None
    heart_rate_low_bpm: float | None = None
    heart_rate_high_bpm: float | None = None
    vo2_low_ml_min: float | None = None
    vo2_high_ml_min: float | None = None
    vo2_low_ml_kg_min: float | None = None
    vo2_high_ml_kg_min: float | None = None
    mets_low: float | None = None
    mets_high: float | None = None
    work_rate_low_w: float | None = None
    work_rate_high_w: float | None = None
    speed_low_km_h: float | None = None
    speed_high_km_h: float | None = None
    remark: str | None = None
    reason: str | None = None
    source: str = ""

    def as_dict(self) -> dict[str, Any]:
        """JSON form; the reason also says what this basis never gives."""
        told = {one.name: getattr(self, one.name) for one in fields(self)}
        told["reason"] = " ".join(one for one in (self.reason, _NOT_GIVEN[self.basis]) if one)
        return told


_NOT_GIVEN: dict[Basis, str] = {
    "thresholds": "An end without values is open; a value that is missing at the other was not recorded there.",
    "heart_rate_reserve": "Heart-rate reserve gives heart rates alone.",
    "vo2_reserve": "Uptake reserve gives uptake alone: neither a load nor a heart rate follows from it.",
}


@dataclass(frozen=True, slots=True)
class TrainingRanges:
    """The ranges of one test, or why there are none.

    Attributes
    ----------
    ranges : tuple of TrainingRange
    reason : str or None
        Why there are none, or which kind is missing.
    """

    ranges: tuple[TrainingRange, ...]
    reason: str | None

    def as_list(self) -> list[dict[str, Any]]:
        """JSON form of the ranges."""
        return [one.as_dict() for one in self.ranges]


def find_training_ranges(
    test: TestInput,
    peak: Peak,
    maxima: Maxima,
    thresholds: Sequence[ThresholdPoint] = (),
    *,
    maximal: bool | None = None,
    warning_sign: str | None = None,
) -> TrainingRanges:
    """Ranges for training from one test.

    Parameters
    ----------
    test : TestInput
    peak : Peak
    maxima : Maxima
    thresholds : sequence of ThresholdPoint
        At most one for each of "vt1" and "vt2"; a tester's own in place of a computed one. One of "lt" stands in for
        "vt1" or "vt2" only where the caller says so by naming it that.
    maximal : bool, optional
        Whether the effort is known to be maximal (verified, plateau or secondary criteria).
    warning_sign : str, optional
        A sign that ended the test, as noted; a test stopped for a symptom has one.

    Returns
    -------
    TrainingRanges
        From thresholds where there is one; else by published bands of heart-rate reserve and of uptake reserve.

    Notes
    -----
    Bands: moderate 40 to 59 %, vigorous 60 to 89 %, near-maximal from 90 % of the reserve (acsm_2021, value from memory). Heart
    rate by karvonen_1957, uptake by `vo2_at_reserve`. With a medication that limits heart rate no range is given by heart
    rate.
    """
    sign = warning_sign or ("a symptom ended the test" if test.stop_reason == "symptom" else None)
    if sign is not None:
        return TrainingRanges(
            (),
            f"No ranges are given: {sign.rstrip('.')}. Someone licensed to judge it decides about training first.",
        )
    known = {one.threshold: one for one in thresholds}
    first, second = known.get("vt1"), known.get("vt2")
    if first is not None or second is not None:
        return _from_thresholds(test, first, second)
    by_heart, why_heart = _by_heart_rate(test, maxima, maximal=maximal is True)
    by_uptake, why_uptake = _by_uptake(test, peak) if maximal is True else ((), _NOT_MAXIMAL)
    why = " ".join(one for one in (why_heart, why_uptake) if one is not None)
    return TrainingRanges(by_heart + by_uptake, why or None)


# -- from thresholds ----------------------------------------------------------------------------------------------


def _from_thresholds(
    test: TestInput, first: ThresholdPoint | None, second: ThresholdPoint | None
) -> TrainingRanges:
    if first is not None and second is not None:
        crossed = _crossed(first, second)
        if crossed is not None:
            return TrainingRanges((), f"No ranges are given: {crossed}")
        edges = [(_BELOW, None, first), (_BETWEEN, first, second), (_ABOVE, second, None)]
        text = f"first threshold ({first.name}) and second threshold ({second.name})"
        missing = None
    elif first is not None:
        edges = [(_BELOW, None, first), ("above the first threshold", first, None)]
        text, missing = f"first threshold ({first.name})", "The second threshold is not known."
    else:
        edges = [("below the second threshold", None, second), (_ABOVE, second, None)]
        text = f"second threshold ({'' if second is None else second.name})"
        missing = "The first threshold is not known."
    known = [one for one in (first, second) if one is not None]
    remark = " ".join(dict.fromkeys((_ESTIMATE, *(one.remark for one in known if one.remark))))
    source = "; ".join(dict.fromkeys((THRESHOLDS_SOURCE, *(one.source for one in known if one.source))))
    limits = test.person.limits_heart_rate
    reason = "A medication limits heart rate, so no heart rate is given." if limits else None
    ranges = []
    for name, low, high in edges:
        at_low, at_high = (_ends(test, one, with_heart_rate=not limits) for one in (low, high))
        ranges.append(
            TrainingRange(
                name,
                "thresholds",
                text,
                heart_rate_low_bpm=at_low.heart_rate_bpm,
                heart_rate_high_bpm=at_high.heart_rate_bpm,
                vo2_low_ml_min=at_low.vo2_ml_min,
                vo2_high_ml_min=at_high.vo2_ml_min,
                vo2_low_ml_kg_min=at_low.vo2_ml_kg_min,
                vo2_high_ml_kg_min=at_high.vo2_ml_kg_min,
                mets_low=at_low.mets,
                mets_high=at_high.mets,
                work_rate_low_w=at_low.work_rate_w,
                work_rate_high_w=at_high.work_rate_w,
                speed_low_km_h=at_low.speed_km_h,
                speed_high_km_h=at_high.speed_km_h,
                remark=remark,
                reason=reason,
                source=source,
            )
        )
    return TrainingRanges(tuple(ranges), missing)


def _crossed(first: ThresholdPoint, second: ThresholdPoint) -> str | None:
    for name, word, unit in (
        ("vo2_ml_min", "uptake", "mL/min"),
        ("work_rate_w", "work rate", "W"),
        ("speed_km_h", "speed", "km/h"),
        ("heart_rate_bpm", "heart rate", "beats/min"),
    ):
        low, high = getattr(first, name), getattr(second, name)
        if low is not None and high is not None and low >= high:
            return f"the {word} of the first threshold, {low:.0f} {unit}, is not below that of the second, {high:.0f}."
    return None


@dataclass(frozen=True, slots=True)
class _End:
    heart_rate_bpm: float | None = None
    vo2_ml_min: float | None = None
    vo2_ml_kg_min: float | None = None
    mets: float | None = None
    work_rate_w: float | None = None
    speed_km_h: float | None = None


def _ends(test: TestInput, point: ThresholdPoint | None, *, with_heart_rate: bool) -> _End:
    """One end of a range; nothing where it is open."""
    if point is None:
        return _End()
    mass = test.person.body_mass_kg
    relative = None
    if mass is not None and point.vo2_ml_min is not None:
        relative = applied("vo2_per_body_mass", {"vo2_ml_min": point.vo2_ml_min, "body_mass_kg": mass}).value
    return _End(
        point.heart_rate_bpm if with_heart_rate else None,
        point.vo2_ml_min,
        relative,
        None if relative is None else float(metabolic_equivalents(relative)),
        point.work_rate_w,
        point.speed_km_h,
    )


# -- by published bands -------------------------------------------------------------------------------------------


def _by_heart_rate(
    test: TestInput, maxima: Maxima, *, maximal: bool
) -> tuple[tuple[TrainingRange, ...], str | None]:
    resting = test.person.resting_heart_rate_bpm
    if test.person.limits_heart_rate:
        return (), "A medication limits heart rate, so no range is given by heart rate."
    if resting is None:
        return (), "The visit has no resting heart rate, so there is no range by heart-rate reserve."
    highest, kind, why = _maximum(test, maxima, maximal=maximal)
    if highest is None:
        return (), why
    if resting >= highest:
        return (
            (),
            f"The resting heart rate of {resting:.0f} beats/min is not below the maximum of {highest:.0f}.",
        )
    text = f"heart-rate reserve: {kind} maximum {highest:.0f}, resting {resting:.0f} beats/min"
    return (
        tuple(
            TrainingRange(
                name,
                "heart_rate_reserve",
                text,
                low,
                high,
                _karvonen(highest, resting, low),
                highest if high is None else _karvonen(highest, resting, high),
                remark=_ESTIMATE if kind == "measured" else f"{_ESTIMATE} {_PREDICTED_REMARK}",
                source=BANDS_SOURCE,
            )
            for name, low, high in BANDS
        ),
        None,
    )


def _maximum(test: TestInput, maxima: Maxima, *, maximal: bool) -> tuple[float | None, str, str | None]:
    """Maximal heart rate, whether measured or predicted, and why there is none."""
    highest, age = maxima.heart_rate_bpm, test.person.age_years
    if highest is not None and not QUANTITIES["heart_rate_max_bpm"].possible(highest):
        return None, "measured", f"The highest heart rate of {highest:.0f} beats/min cannot be."
    if maximal:
        why = maxima.reasons.get("heart_rate_bpm", "The test has no heart rate.")
        return highest, "measured", None if highest is not None else why
    if age is None:
        return (
            None,
            "predicted",
            "The test is not known to be maximal, and the age to predict a maximum from is not known.",
        )
    answer = applied(_PREDICTION, {"age_years": age})
    if answer.findings or answer.value is None:
        return None, "predicted", answer.reason or " ".join(one.message for one in answer.findings)
    if highest is not None and highest > answer.value:
        return highest, "measured", None
    return answer.value, f"predicted ({_PREDICTION})", None


def _karvonen(highest: float, resting: float, percent: float) -> float | None:
    return applied(
        "karvonen_heart_rate",
        {"heart_rate_max_bpm": highest, "resting_heart_rate_bpm": resting, "intensity_percent": percent},
    ).value


def _by_uptake(test: TestInput, peak: Peak) -> tuple[tuple[TrainingRange, ...], str | None]:
    relative, mass = peak.vo2_ml_kg_min, test.person.body_mass_kg
    if relative is None:
        return (), peak.reasons.get("vo2_ml_kg_min", "The test has no peak uptake per body mass.")
    if relative <= 3.6:
        return (), f"The peak uptake of {relative:.1f} mL/kg/min is not above the resting one."
    ranges = []
    for name, low, high in BANDS:
        ends = [
            applied("vo2_at_reserve", {"vo2_max_ml_kg_min": relative, "intensity_percent": percent}).value
            if percent is not None
            else relative
            for percent in (low, high)
        ]
        absolute = [None if mass is None or end is None else mass * end for end in ends]
        mets = [None if end is None else float(metabolic_equivalents(end)) for end in ends]
        ranges.append(
            TrainingRange(
                name,
                "vo2_reserve",
                f"uptake reserve: measured maximum {relative:.1f}, resting 3.5 mL/kg/min by convention",
                low,
                high,
                vo2_low_ml_min=absolute[0],
                vo2_high_ml_min=absolute[1],
                vo2_low_ml_kg_min=ends[0],
                vo2_high_ml_kg_min=ends[1],
                mets_low=mets[0],
                mets_high=mets[1],
                remark=_ESTIMATE,
                reason=None
                if mass is not None
                else "The visit has no body mass, so there is no absolute uptake.",
                source=BANDS_SOURCE,
            )
        )
    return tuple(ranges), None
