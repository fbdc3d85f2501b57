"""Gas exchange: volume factors, uptake from expired fractions, ventilatory equivalents, and what calibration says."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from service.analysis.formulas import applied
from service.analysis.marks import Marks, counted_rows, full_rows_in_exercise
from service.analysis.peaks import Peak, carbon_dioxide_lost
from service.analysis.plain import record_dict
from service.analysis.series import Bools, Conditions, Floats, Series, TestInput
from service.analysis.windows import LEAST_COVERED_FRACTION, highest_window, mean_of_rows
from service.findings import Finding, finding
from service.methods.gas import (
    FIO2_FRACTION,
    btps_to_stpd_factor,
    haldane_fractions,
    haldane_vco2_ml_min,
    haldane_vo2_ml_min,
)
from service.methods.ratios import respiratory_exchange_ratio
from service.methods.ventilation import tidal_volume, ve_vco2, ve_vo2
from service.quantities import QUANTITIES

#: Inspired oxygen further from room air than this is another gas (project default).
AIR_WITHIN = 0.0015
#: Recorded and computed uptake, and volume and rate, further apart than this are told (project default).
DISAGREES_PERCENT = 5.0
LOWEST_WINDOW_S = 60.0
HIGHEST_WINDOW_S = 30.0
#: Expired fractions of a maximal test, taken where a test does not tell its own (project default).
_TYPICAL_FRACTIONS = (0.172, 0.038)
#: Analysers: 0.1 % absolute (value from memory, medium confidence). Volume: 3 % and 0.5 % for the syringe (miller_2005).
ANALYSER_LIMIT_FRACTION = 0.001
VOLUME_LIMIT_PERCENT = 3.5
DRIFT_SOURCE = "garcia_tabar_2015; the limit of 0.1 % absolute from memory"
VOLUME_SOURCE = "miller_2005"
_SAME_GAS = 0.005


@dataclass(frozen=True, slots=True)
class GasExchange:
    """Gas exchange of one test beyond uptake itself.

    None has its reason in `reasons` under the field's name.

    Attributes
    ----------
    stpd_factor, btps_factor, btps_to_stpd_factor : float or None
        From the room of the visit: from a saturated volume at room temperature to STPD and BTPS, and between the two.
    lowest_ve_vo2, lowest_ve_vco2 : float or None
        Lowest mean of 60 s in exercise, ratio of the means.
    peak_ve_vo2, peak_ve_vco2, peak_tidal_volume_l, peak_peto2_mmhg, peak_petco2_mmhg : float or None
        In the window of the peak.
    highest_tidal_volume_l, highest_petco2_mmhg : float or None
        Highest mean of 30 s in exercise.
    lowest_spo2_percent : float or None
        Lowest mean of 30 s in exercise.
    tidal_volume_basis : {"recorded", "ventilation_over_rate"} or None
    haldane_vo2_difference_percent, haldane_vco2_difference_percent : float or None
        Median of computed over recorded in exercise, less 100 %.
    reasons : mapping of str to str
    findings : tuple of Finding
    """

    stpd_factor: float | None = None
    btps_factor: float | None = None
    btps_to_stpd_factor: float | None = None
    lowest_ve_vo2: float | None = None
    lowest_ve_vco2: float | None = None
    peak_ve_vo2: float | None = None
    peak_ve_vco2: float | None = None
    peak_tidal_volume_l: float | None = None
    peak_peto2_mmhg: float | None = None
    peak_petco2_mmhg: float | None = None
    highest_tidal_volume_l: float | None = None
    highest_petco2_mmhg: float | None = None
    lowest_spo2_percent: float | None = None
    tidal_volume_basis: Literal["recorded", "ventilation_over_rate"] | None = None
    haldane_vo2_difference_percent: float | None = None
    haldane_vco2_difference_percent: float | None = None
    reasons: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        answer = record_dict(self, without="findings")
        answer["reasons"] = dict(self.reasons)
        answer["reason"] = self.reasons.get("peak_ve_vco2")
        return answer


# -- uptake from fractions ----------------------------------------------------------------------------------


def with_computed_uptake(test: TestInput) -> tuple[TestInput, tuple[Finding, ...]]:
    """A test whose VO2 and VCO2 follow from ventilation and expired fractions where they were not recorded.

    Parameters
    ----------
    test : TestInput

    Returns
    -------
    TestInput
        The same where uptake was recorded, or cannot be computed.
    tuple of Finding
        That it was computed, with how many rows lie beyond what is possible and do not count; or why it could not be.

    Notes
    -----
    Haldane transformation of VE converted from BTPS to STPD; for room air only.
    """
    series = test.series
    if series.has("vo2_ml_min") or not _fractions(series):
        return test, ()
    reason = _why_no_haldane(test)
    if reason is not None:
        return test, (
            finding("uptake_not_computed", f"Ventilation and expired fractions were recorded, but {reason}."),
        )
    vo2, vco2, counts = _haldane(series, test.conditions)
    channels = dict(series.channels)
    beyond = np.zeros(len(series), dtype=np.bool_)
    for key, values in (("vo2_ml_min", vo2), ("vco2_ml_min", vco2)):
        if series.has(key):
            continue
        possible = np.array([bool(QUANTITIES[key].possible(one)) for one in values], dtype=np.bool_)
        beyond |= counts & ~possible
        channels[key] = np.where(counts & possible, values, np.nan)
    said = (
        f"VO2 and VCO2 of {int(counts.sum())} rows were computed from ventilation and expired fractions by the Haldane "
        f"transformation, at {test.conditions.barometric_pressure_mmhg:g} mmHg."
    )
    if beyond.any():
        said += f" {int(beyond.sum())} rows give a value that cannot be; they do not count."
    return replace(test, series=replace(series, channels=channels)), (finding("uptake_by_haldane", said),)


def without_lost_carbon_dioxide(test: TestInput, marks: Marks) -> TestInput:
    """A test whose VCO2 counts for nothing where its channel is lost.

    Parameters
    ----------
    test : TestInput
    marks : Marks

    Returns
    -------
    TestInput
        The same where nothing is lost; see `service.analysis.peaks.carbon_dioxide_lost`.
    """
    lost = carbon_dioxide_lost(test.series, marks)
    if not lost.any():
        return test
    output = np.where(lost, np.nan, test.series.channel("vco2_ml_min"))
    channels = {**test.series.channels, "vco2_ml_min": output}
    return replace(test, series=replace(test.series, channels=channels))


def _fractions(series: Series) -> bool:
    return all(series.has(key) for key in ("ve_l_min", "feo2_fraction", "feco2_fraction"))


def _why_no_haldane(test: TestInput) -> str | None:
    inspired = test.conditions.fio2_fraction
    if inspired is not None and abs(inspired - FIO2_FRACTION) > AIR_WITHIN:
        return f"the inspired gas holds {100 * inspired:.1f} % O2 and the Haldane transformation is for room air only"
    if test.conditions.barometric_pressure_mmhg is None:
        return "the visit has no barometric pressure, so ventilation cannot be brought to STPD"
    return None


def _haldane(series: Series, conditions: Conditions) -> tuple[Floats, Floats, Bools]:
    counts = np.ones(len(series), dtype=np.bool_)
    for key in ("ve_l_min", "feo2_fraction", "feco2_fraction"):
        counts &= counted_rows(series, key)
    pressure = float(conditions.barometric_pressure_mmhg or np.nan)
    ventilation = np.where(counts, series.channel("ve_l_min"), np.nan) * btps_to_stpd_factor(pressure)
    feo2, feco2 = series.channel("feo2_fraction"), series.channel("feco2_fraction")
    return haldane_vo2_ml_min(ventilation, feo2, feco2), haldane_vco2_ml_min(ventilation, feo2, feco2), counts


# -- one test ------------------------------------------------------------------------------------------------


def find_gas_exchange(test: TestInput, marks: Marks, peak: Peak) -> GasExchange:
    """Volume factors, ventilatory equivalents, breath size and end-tidal pressures of a test.

    Parameters
    ----------
    test : TestInput
        As it came; `with_computed_uptake` first where uptake was not recorded.
    marks : Marks
    peak : Peak

    Returns
    -------
    GasExchange
    """
    test = without_lost_carbon_dioxide(test, marks)
    reasons: dict[str, str] = {}
    found: dict[str, Any] = _factors(test.conditions, reasons)
    findings: list[Finding] = []
    _equivalents(test.series, marks, peak, found, reasons)
    _breaths(test.series, marks, peak, found, reasons, findings)
    for key, names in (
        ("peto2_mmhg", ("peak_peto2_mmhg",)),
        ("petco2_mmhg", ("peak_petco2_mmhg", "highest_petco2_mmhg")),
        ("spo2_percent", ("lowest_spo2_percent",)),
    ):
        for name in names:
            found[name] = _of_channel(test.series, marks, peak, key, name, reasons)
    _compare(test, marks, found, reasons, findings)
    return GasExchange(**found, reasons=reasons, findings=tuple(findings))


def _factors(conditions: Conditions, reasons: dict[str, str]) -> dict[str, float | None]:
    pressure, temperature = conditions.barometric_pressure_mmhg, conditions.temperature_c
    answer: dict[str, float | None] = {}
    for method, inputs in (
        ("stpd_factor", {"barometric_pressure_mmhg": pressure, "temperature_c": temperature}),
        ("btps_factor", {"barometric_pressure_mmhg": pressure, "temperature_c": temperature}),
        ("btps_to_stpd_factor", {"barometric_pressure_mmhg": pressure}),
    ):
        missing = [_CONDITION_WORDS[name] for name, value in inputs.items() if value is None]
        answer[method] = None
        if missing:
            reasons[method] = f"The visit has no {' and no '.join(missing)}; none is assumed."
            continue
        told = applied(method, inputs)
        answer[method] = told.value
        if told.reason is not None:
            reasons[method] = told.reason
    return answer


_CONDITION_WORDS = {"barometric_pressure_mmhg": "barometric pressure", "temperature_c": "room temperature"}


def _equivalents(
    series: Series, marks: Marks, peak: Peak, found: dict[str, Any], reasons: dict[str, str]
) -> None:
    for name, key, ratio in (("ve_vo2", "vo2_ml_min", ve_vo2), ("ve_vco2", "vco2_ml_min", ve_vco2)):
        found[f"lowest_{name}"] = found[f"peak_{name}"] = None
        both = counted_rows(series, key) & counted_rows(series, "ve_l_min")
        if not both.any():
            words = " or no ".join(
                word
                for channel, word in ((key, key[:-7].upper()), ("ve_l_min", "ventilation"))
                if not series.has(channel)
            )
            reasons[f"lowest_{name}"] = reasons[f"peak_{name}"] = (
                f"The test has no {words}." if words else "No row has both ventilation and gas exchange."
            )
            continue
        flow = np.where(both, series.channel(key), np.nan)
        equivalent = ratio(np.where(both, series.channel("ve_l_min"), np.nan), flow)
        # The lowest ratio of means is the highest of its negative, each row weighted by its flow.
        window = highest_window(
            series.start_s,
            series.end_s,
            -equivalent,
            both,
            from_s=marks.exercise_start_s,
            to_s=marks.exercise_end_s,
            window_s=LOWEST_WINDOW_S,
            weights=flow,
        )
        if window is not None and not QUANTITIES[name].possible(-window.value):
            reasons[f"lowest_{name}"] = _cannot_be(name, -window.value)
        elif window is None:
            reasons[f"lowest_{name}"] = f"No {LOWEST_WINDOW_S:.0f} s of exercise are covered well enough."
        else:
            found[f"lowest_{name}"] = -window.value
        ventilation, gas = (_in_peak(series, peak, channel, both) for channel in ("ve_l_min", key))
        if ventilation is None or gas is None:
            reasons[f"peak_{name}"] = _no_peak(peak)
        elif not QUANTITIES[name].possible(float(ratio(ventilation, gas))):
            reasons[f"peak_{name}"] = _cannot_be(name, float(ratio(ventilation, gas)))
        else:
            found[f"peak_{name}"] = float(ratio(ventilation, gas))


def _cannot_be(name: str, value: float) -> str:
    return f"A {QUANTITIES[name].symbol} of {value:.0f} cannot be; ventilation or gas exchange is wrong."


def _in_peak(series: Series, peak: Peak, key: str, counts: Bools) -> float | None:
    if peak.start_s is None or peak.end_s is None:
        return None
    value, covered = mean_of_rows(series, series.channel(key), counts, peak.start_s, peak.end_s)
    return value if covered >= LEAST_COVERED_FRACTION - 1e-9 else None


def _no_peak(peak: Peak) -> str:
    if peak.start_s is None:
        return "The test has no window of a peak."
    return "The window of the peak is not covered well enough."


def _breaths(
    series: Series,
    marks: Marks,
    peak: Peak,
    found: dict[str, Any],
    reasons: dict[str, str],
    findings: list[Finding],
) -> None:
    recorded = counted_rows(series, "tidal_volume_l")
    both = counted_rows(series, "ve_l_min") & counted_rows(series, "respiratory_rate_per_min")
    rate = np.where(both, series.channel("respiratory_rate_per_min"), np.nan)
    computed = tidal_volume(np.where(both, series.channel("ve_l_min"), np.nan), rate)
    basis: Literal["recorded", "ventilation_over_rate"] | None = None
    values, counts = computed, both
    if recorded.any():
        basis, values, counts = "recorded", series.channel("tidal_volume_l"), recorded
    elif both.any():
        basis = "ventilation_over_rate"
    found["tidal_volume_basis"] = basis
    found["peak_tidal_volume_l"] = found["highest_tidal_volume_l"] = None
    if basis is None:
        reasons["peak_tidal_volume_l"] = reasons["highest_tidal_volume_l"] = (
            "The test has no tidal volume, and no ventilation with a respiratory rate to compute it from."
        )
        return
    if basis == "recorded":
        found["peak_tidal_volume_l"] = _in_peak(series, peak, "tidal_volume_l", counts)
    else:
        ventilation = _in_peak(series, peak, "ve_l_min", counts)
        breaths = _in_peak(series, peak, "respiratory_rate_per_min", counts)
        if ventilation is not None and breaths is not None:
            found["peak_tidal_volume_l"] = float(tidal_volume(ventilation, breaths))
    if found["peak_tidal_volume_l"] is None:
        reasons["peak_tidal_volume_l"] = _no_peak(peak)
    window = highest_window(
        series.start_s,
        series.end_s,
        values,
        counts,
        from_s=marks.exercise_start_s,
        to_s=marks.exercise_end_s,
        window_s=HIGHEST_WINDOW_S,
        weights=rate if basis == "ventilation_over_rate" else None,
    )
    if window is None:
        reasons["highest_tidal_volume_l"] = (
            f"No {HIGHEST_WINDOW_S:.0f} s of exercise are covered well enough."
        )
    else:
        found["highest_tidal_volume_l"] = window.value
    rows = recorded & both & full_rows_in_exercise(series, marks)
    if rows.any():
        apart = 100 * (float(np.median(series.channel("tidal_volume_l")[rows] / computed[rows])) - 1)
        if abs(apart) > DISAGREES_PERCENT:
            findings.append(
                finding(
                    "tidal_volume_disagrees",
                    f"Recorded tidal volume is typically {abs(apart):.0f} % {'above' if apart > 0 else 'below'} ventilation "
                    "over respiratory rate.",
                )
            )


def _of_channel(
    series: Series, marks: Marks, peak: Peak, key: str, name: str, reasons: dict[str, str]
) -> float | None:
    counts = counted_rows(series, key)
    if not counts.any():
        label = QUANTITIES[key].label
        reasons[name] = f"The test has no {label[0].lower()}{label[1:]}."
        return None
    if name.startswith("peak_"):
        value = _in_peak(series, peak, key, counts)
        if value is None:
            reasons[name] = _no_peak(peak)
        return value
    sign = -1.0 if name.startswith("lowest_") else 1.0
    window = highest_window(
        series.start_s,
        series.end_s,
        sign * series.channel(key),
        counts,
        from_s=marks.exercise_start_s,
        to_s=marks.exercise_end_s,
        window_s=HIGHEST_WINDOW_S,
    )
    if window is None:
        reasons[name] = f"No {HIGHEST_WINDOW_S:.0f} s of exercise are covered well enough."
        return None
    return sign * window.value


def _compare(
    test: TestInput, marks: Marks, found: dict[str, Any], reasons: dict[str, str], findings: list[Finding]
) -> None:
    """Recorded uptake beside that from the fractions."""
    series = test.series
    names = {"vo2_ml_min": "haldane_vo2_difference_percent", "vco2_ml_min": "haldane_vco2_difference_percent"}
    found |= dict.fromkeys(names.values())
    if not _fractions(series):
        reasons |= dict.fromkeys(names.values(), "The test has no expired fractions to compute uptake from.")
        return
    why = _why_no_haldane(test)
    if why is not None:
        reasons |= dict.fromkeys(names.values(), f"Not compared: {why}.")
        return
    vo2, vco2, counts = _haldane(series, test.conditions)
    for key, values in (("vo2_ml_min", vo2), ("vco2_ml_min", vco2)):
        rows = counts & counted_rows(series, key) & full_rows_in_exercise(series, marks)
        if not rows.any():
            reasons[names[key]] = "No row of exercise has both the recorded value and the fractions."
            continue
        apart = 100 * (float(np.median(values[rows] / series.channel(key)[rows])) - 1)
        found[names[key]] = apart
        if abs(apart) > DISAGREES_PERCENT:
            findings.append(
                finding(
                    "haldane_disagrees",
                    f"{key[:-7].upper()} from ventilation and expired fractions is typically {abs(apart):.1f} % "
                    f"{'above' if apart > 0 else 'below'} the recorded one ({int(rows.sum())} rows).",
                )
            )


# -- calibration ----------------------------------------------------------------------------------------------

Sensor = Literal["O2", "CO2", "volume"]


@dataclass(frozen=True, slots=True)
class CalibrationCheck:
    """One reading of a known gas or volume.

    Attributes
    ----------
    when : {"before", "after"}
    sensor : {"O2", "CO2", "volume"}
    expected, measured : float
        Fractions of gas; L of volume.
    off : float
        Measured less expected.
    limit : float
        Its size at most.
    within : bool
    source : str
    """

    when: Literal["before", "after"]
    sensor: Sensor
    expected: float
    measured: float
    off: float
    limit: float
    within: bool
    source: str


@dataclass(frozen=True, slots=True)
class Drift:
    """How far a sensor moved over the test.

    Attributes
    ----------
    sensor : {"O2", "CO2", "volume"}
    expected : float
    drift : float
        After less before; fractions of gas, L of volume.
    against : {"before", "expected"}
        What the reading after the test was compared with.
    within : bool
    """

    sensor: Sensor
    expected: float
    drift: float
    against: Literal["before", "expected"]
    within: bool


@dataclass(frozen=True, slots=True)
class CalibrationReport:
    """What the calibration of a test says.

    Attributes
    ----------
    checks : tuple of CalibrationCheck
    drifts : tuple of Drift
    vo2_effect_percent, vco2_effect_percent, rer_effect_percent : float or None
        By how much drift makes the values at the peak too high; negative is too low.
    effect_basis : {"own_fractions", "typical_fractions"} or None
        Where the expired fractions come from.
    reason : str or None
        Why there is no effect to tell.
    findings : tuple of Finding
    """

    checks: tuple[CalibrationCheck, ...] = ()
    drifts: tuple[Drift, ...] = ()
    vo2_effect_percent: float | None = None
    vco2_effect_percent: float | None = None
    rer_effect_percent: float | None = None
    effect_basis: Literal["own_fractions", "typical_fractions"] | None = None
    reason: str | None = None
    findings: tuple[Finding, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        plain = record_dict(self, without="findings")
        return {
            **plain,
            "checks": [record_dict(one) for one in self.checks],
            "drifts": [record_dict(one) for one in self.drifts],
        }


def judge_calibrations(
    calibrations: Sequence[Mapping[str, Any]],
    *,
    ve_l_min: float | None = None,
    vo2_ml_min: float | None = None,
    vco2_ml_min: float | None = None,
    barometric_pressure_mmhg: float | None = None,
) -> CalibrationReport:
    """Compare readings of known gas and volume before and after a test, and what drift does to the peak.

    Parameters
    ----------
    calibrations : sequence of mapping
        Each with ``when`` ("before", "after"), ``kind`` ("gas", "volume"), ``expected``, ``measured`` and ``unit`` ("%" or
        "fraction"; "L" or "mL"). A gas of 10 % and more is taken as oxygen, one below as carbon dioxide.
    ve_l_min, vo2_ml_min, vco2_ml_min, barometric_pressure_mmhg : float, optional
        Of the peak, from which its expired fractions follow; typical ones are taken where one is missing, and said.

    Returns
    -------
    CalibrationReport

    Notes
    -----
    Analysers: 0.1 % absolute (value from memory). Volume: 3 % and 0.5 % for the syringe (miller_2005). Effect: the fractions
    of the peak with the drift taken off, put through the Haldane transformation; the drift is that of the known gas
    nearest to them, inspired gas taken as room air. End-of-test drifts of -0.18 % O2 and -0.05 % CO2 made VO2max 5 to 6 %
    too high (garcia_tabar_2015).
    """
    checks, findings = _read_checks(calibrations)
    drifts = _drifts(checks)
    findings += [_off_finding(one) for one in checks if not one.within and one.when == "before"]
    if not calibrations:
        return CalibrationReport(reason="No calibration was recorded.")
    if not drifts:
        return CalibrationReport(
            tuple(checks), reason="No reading after the test was recorded.", findings=tuple(findings)
        )
    fractions = None
    if None not in {ve_l_min, vo2_ml_min, vco2_ml_min, barometric_pressure_mmhg} and ve_l_min:
        stpd = float(ve_l_min) * btps_to_stpd_factor(float(barometric_pressure_mmhg or 0.0))
        fractions = haldane_fractions(stpd, float(vo2_ml_min or 0.0), float(vco2_ml_min or 0.0))
    basis: Literal["own_fractions", "typical_fractions"] = "own_fractions"
    if fractions is None or not 0.1 <= fractions[0] <= 0.2093 or not 0.0 < fractions[1] <= 0.1:
        fractions, basis = _TYPICAL_FRACTIONS, "typical_fractions"
    effects = _effects(fractions, drifts)
    findings += _drift_findings(drifts, effects, basis)
    far = "The readings are so far off that their effect cannot be told." if None in effects else None
    return CalibrationReport(tuple(checks), tuple(drifts), *effects, basis, far, tuple(findings))


def _read_checks(calibrations: Sequence[Mapping[str, Any]]) -> tuple[list[CalibrationCheck], list[Finding]]:
    checks: list[CalibrationCheck] = []
    findings: list[Finding] = []
    for place, one in enumerate(calibrations, start=1):
        read = read_calibration(one)
        if isinstance(read, str):
            findings.append(
                finding("calibration_not_understood", f"Reading {place} of the calibration: {read}.")
            )
        else:
            checks.append(read)
    return checks, findings


def read_calibration(one: Mapping[str, Any]) -> CalibrationCheck | str:
    """One reading of a known gas or volume as `judge_calibrations` takes it; else what is wrong with it, in words."""
    when, kind, unit = one.get("when"), one.get("kind"), str(one.get("unit") or "").strip()
    if when not in {"before", "after"}:
        return f"when is {when!r}, not before or after"
    try:
        expected, measured = float(one["expected"]), float(one["measured"])
    except (KeyError, TypeError, ValueError):
        return "expected or measured is not a number"
    if not (np.isfinite(expected) and np.isfinite(measured)):
        return "expected or measured is not a finite number"
    scale = _SCALES.get((str(kind), unit.lower()))
    if scale is None:
        return f"a {kind} in {unit or 'no unit'}; gas is in % or fraction, volume in L or mL"
    expected, measured = expected * scale, measured * scale
    if kind == "volume":
        if not 0.1 <= expected <= 20:
            return "the expected volume is not between 0.1 and 20 L"
        sensor: Sensor = "volume"
        limit = VOLUME_LIMIT_PERCENT / 100 * expected
    else:
        if not 0 <= expected <= 1 or not -0.01 <= measured <= 1.01:
            return "a fraction of gas lies between 0 and 1"
        sensor = "O2" if expected >= 0.1 else "CO2"
        limit = ANALYSER_LIMIT_FRACTION
    off = measured - expected
    return CalibrationCheck(
        when,
        sensor,
        expected,
        measured,
        off,
        limit,
        abs(off) <= limit * (1 + 1e-9),
        VOLUME_SOURCE if sensor == "volume" else DRIFT_SOURCE,
    )


_SCALES: Mapping[tuple[str, str], float] = {
    ("gas", "%"): 0.01,
    ("gas", "percent"): 0.01,
    ("gas", "fraction"): 1.0,
    ("gas", "1"): 1.0,
    ("volume", "l"): 1.0,
    ("volume", "ml"): 0.001,
}


def _drifts(checks: Sequence[CalibrationCheck]) -> list[Drift]:
    drifts = []
    for one in checks:
        if one.when != "after":
            continue
        near = _SAME_GAS if one.sensor != "volume" else 0.01 * one.expected
        before = [
            other
            for other in checks
            if other.when == "before"
            and other.sensor == one.sensor
            and abs(other.expected - one.expected) <= near
        ]
        # Errors are compared, not readings, since the two known gases need not be quite the same.
        drift = one.off - (before[-1].off if before else 0.0)
        drifts.append(
            Drift(
                one.sensor,
                one.expected,
                drift,
                "before" if before else "expected",
                abs(drift) <= one.limit * (1 + 1e-9),
            )
        )
    return drifts


def _effects(
    fractions: tuple[float, float], drifts: Sequence[Drift]
) -> tuple[float | None, float | None, float | None]:
    """By how much VO2, VCO2 and their ratio read too high, per cent."""
    nearest: dict[Sensor, float] = {}
    for sensor, at in (("O2", fractions[0]), ("CO2", fractions[1]), ("volume", 0.0)):
        of_sensor = [one for one in drifts if one.sensor == sensor]
        if of_sensor:
            chosen = min(of_sensor, key=lambda one: abs(one.expected - at))
            nearest[chosen.sensor] = chosen.drift / (chosen.expected if sensor == "volume" else 1.0)
    true = fractions[0] - nearest.get("O2", 0.0), fractions[1] - nearest.get("CO2", 0.0)
    volume = 1.0 + nearest.get("volume", 0.0)
    if volume <= 0:
        return None, None, None
    read = haldane_vo2_ml_min(1.0, *fractions), haldane_vco2_ml_min(1.0, *fractions)
    real = haldane_vo2_ml_min(1.0 / volume, *true), haldane_vco2_ml_min(1.0 / volume, *true)
    if min(*read, *real) <= 0:
        return None, None, None
    ratio = respiratory_exchange_ratio(*read) / respiratory_exchange_ratio(*real)
    return 100 * (read[0] / real[0] - 1), 100 * (read[1] / real[1] - 1), 100 * (ratio - 1)


def _off_finding(one: CalibrationCheck) -> Finding:
    return finding(
        "calibration_off",
        f"Before the test the {_SENSOR_WORDS[one.sensor]} read {_reading(one.sensor, one.measured)} where "
        f"{_reading(one.sensor, one.expected)} was expected; at most {_reading(one.sensor, one.limit)} apart is accepted.",
    )


_SENSOR_WORDS: Mapping[Sensor, str] = {
    "O2": "O2 analyser",
    "CO2": "CO2 analyser",
    "volume": "volume sensor",
}


def _reading(sensor: Sensor, value: float) -> str:
    return f"{value:.3f} L" if sensor == "volume" else f"{100 * value:.2f} %"


def _drift_findings(
    drifts: Sequence[Drift], effects: tuple[float | None, float | None, float | None], basis: str
) -> list[Finding]:
    beyond = [one for one in drifts if not one.within]
    if not beyond:
        return []
    moved = ", ".join(
        f"the {_SENSOR_WORDS[one.sensor]} by {'+' if one.drift > 0 else '-'}{_reading(one.sensor, abs(one.drift))} at "
        f"{_reading(one.sensor, one.expected)}"
        for one in beyond
    )
    words = [
        f"{name} about {abs(effect):.1f} % too {'high' if effect > 0 else 'low'}"
        for name, effect in zip(("VO2", "VCO2", "RER"), effects, strict=True)
        if effect is not None and abs(effect) >= 0.05
    ]
    likely = f" That makes {', '.join(words)} at the peak" if words else ""
    if likely and basis == "typical_fractions":
        likely += ", for expired fractions typical of a maximal test"
    return [
        finding(
            "analyser_drift",
            f"Between before and after the test moved: {moved}." + (f"{likely}." if likely else ""),
        )
    ]
