"""What in a test asks for a look, and what it does to the results.

Nothing here changes a number. The signatures of faults (a leak, a lost channel, a stuck sensor) are those of the
trade; their limits are project defaults where no source stands beside them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from service.analysis.loads import find_loads
from service.analysis.marks import Marks, counted_rows, counted_values, rows_in_exercise
from service.analysis.moments import median
from service.analysis.peaks import (
    Maxima,
    Peak,
    PeakSettings,
    carbon_dioxide_lost,
    is_breath_by_breath,
    peak_window,
    runs,
    share_near,
)
from service.analysis.series import Bools, Floats, Series, TestInput
from service.analysis.signatures import find_signatures
from service.analysis.windows import seconds_inside
from service.findings import Finding, finding
from service.methods.heart_rate import heart_rate_max_tanaka
from service.quantities import CHANNELS, QUANTITIES

_SLACK_S = 1e-6
_EARLY_END_FRACTION = 0.005
# Three equal means in a row happen by chance where values are rounded; four hardly do.
_STUCK_S, _STUCK_ROWS = 20.0, 4
_STUCK_HEART_RATE_S, _STUCK_HEART_RATE_ROWS = 60.0, 5
_HEART_RATE_JUMP_BPM, _HEART_RATE_JUMP_WITHIN_S = 20.0, 20.0
_HEART_RATE_GAP_S = 15.0
_ROOM_AIR_FIO2 = 0.2093
# Uptake per body mass over the ACSM cost of speed and grade. Over 36 real ramps (nolte_2023) the medians of tests lie
# from 0.75 to 0.98; mph read as km/h multiplies them by about 1.5, pounds read as kilograms by 0.45.
_COST_RATIO_LOW, _COST_RATIO_HIGH = 0.6, 1.25
# kg/m2. Mass in the other unit moves the index by 2.2 either way: 20 becomes 44, 28 becomes 12.7.
_MASS_INDEX_LOW, _MASS_INDEX_HIGH, _GROWN_YEARS = 13.0, 45.0, 18.0
_LB_PER_KG = 1 / 0.45359237
# A pulse counted over 30 s is half of what it should be; with a ratio that shows hard work nobody is so low unmedicated.
_LEAST_PREDICTED_PART, _HARD_WORK_RATIO = 0.6, 1.10

#: Results that rest on a channel, and so carry its errors.
_RESTS_ON: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "vo2_ml_min": frozenset(
            {
                "vo2_peak_ml_min",
                "vo2_peak_ml_kg_min",
                "mets_peak",
                "o2_pulse_peak_ml_beat",
                "rer_max",
                "vo2_work_rate_slope_ml_min_w",
                "vo2_at_100_w_ml_min",
            }
        ),
        "vco2_ml_min": frozenset({"rer_max"}),
        "ve_l_min": frozenset({"ve_max_l_min"}),
        "heart_rate_bpm": frozenset(
            {
                "heart_rate_max_bpm",
                "o2_pulse_peak_ml_beat",
                "heart_rate_drop_60s_bpm",
                "heart_rate_drop_120s_bpm",
            }
        ),
        "work_rate_w": frozenset({"work_rate_peak_w", "vo2_work_rate_slope_ml_min_w", "vo2_at_100_w_ml_min"}),
        "speed_km_h": frozenset({"speed_peak_km_h"}),
    }
)


@dataclass(frozen=True, slots=True)
class Quality:
    """What was found.

    Attributes
    ----------
    findings : tuple of Finding
        Errors first, then warnings, then what is only said.
    affected : frozenset of str
        Results that an error keeps out of change and trend.
    """

    findings: tuple[Finding, ...]
    affected: frozenset[str]


def judge_quality(
    test: TestInput,
    marks: Marks,
    peak: Peak,
    maxima: Maxima,
    settings: PeakSettings | None = None,
) -> Quality:
    """Look for what asks for a look.

    Parameters
    ----------
    test : TestInput
        With at least one interval.
    marks : Marks
    peak : Peak
        By `settings`.
    maxima : Maxima
    settings : PeakSettings, optional

    Returns
    -------
    Quality
    """
    settings = settings or PeakSettings()
    affected: set[str] = set()
    found: list[Finding] = []
    found += _peak_findings(test, marks, peak, settings, affected)
    found += _impossible(test, marks, peak, affected)
    found += _impossible_results(peak, affected)
    found += _implausible(test.series, marks)
    found += _lost_ratio(test.series, marks, affected)
    found += _stuck(test.series, marks)
    found += _mode_doubt(test)
    found += _heart_rate_lost(test.series, marks)
    found += find_signatures(test, marks)
    found += _gaps(test.series, marks)
    found += _out_of_line(test, marks)
    found += _against_cost(test, marks)
    found += _heart_rate_low(test, maxima)
    found += _missing(test, maxima)
    found += _length(test, marks)
    found += conditions_findings(test)
    order = {"error": 0, "warning": 1, "info": 2}
    return Quality(tuple(sorted(found, key=lambda one: order[one.severity])), frozenset(affected))


def conditions_findings(test: TestInput) -> list[Finding]:
    """What the person's age, the room and the gas leave to say; needs no intervals."""
    found = []
    conditions = test.conditions
    fio2 = conditions.fio2_fraction
    if fio2 is not None and abs(fio2 - _ROOM_AIR_FIO2) > 0.002:
        found.append(
            finding(
                "inspired_gas_not_air",
                f"The inspired O2 fraction is {fio2:.4f}; room air has {_ROOM_AIR_FIO2}.",
            )
        )
    pressure, altitude = conditions.barometric_pressure_mmhg, conditions.altitude_m
    if pressure is not None and altitude is not None and altitude >= 400:
        # ICAO standard atmosphere (ISO 2533), P = 760 (1 - 2.25577e-5 h)^5.25588; weather moves it by some 15 mmHg.
        usual = 760.0 * (1 - 2.25577e-5 * altitude) ** 5.25588
        if pressure > usual + 25.0:
            found.append(
                finding(
                    "sea_level_pressure_at_altitude",
                    f"{pressure:.0f} mmHg at {altitude:.0f} m; usual there are about {usual:.0f} mmHg.",
                )
            )
    person = test.person
    if person.age_basis == "birth_year" and person.age_years is not None:
        found.append(
            finding(
                "age_from_birth_year",
                f"Age was taken as {person.age_years:.1f} years; it may be {_range(person.age_low_years)} to "
                f"{_range(person.age_high_years)}.",
            )
        )
    if person.body_mass_kg is None:
        found.append(finding("no_body_mass", "The visit has no body mass."))
    return found + _mass_for_height(test)


def _mass_for_height(test: TestInput) -> list[Finding]:
    """A body mass that fits the height of a grown person better in the other unit."""
    mass, height, age = test.person.body_mass_kg, test.person.height_cm, test.person.age_years
    if mass is None or height is None or (age is not None and age < _GROWN_YEARS):
        return []
    index = mass / (height / 100) ** 2
    if _MASS_INDEX_LOW <= index <= _MASS_INDEX_HIGH:
        return []
    other = mass / _LB_PER_KG if index > _MASS_INDEX_HIGH else mass * _LB_PER_KG
    return [
        finding(
            "unit_doubt",
            f"A body mass of {mass:g} kg at a height of {height:g} cm is {index:.0f} kg/m2. Pounds and kilograms taken for "
            f"each other would look like this: it would then be {other:.1f} kg.",
        )
    ]


def _range(years: float | None) -> str:
    return "?" if years is None else f"{years:.1f}"


def _peak_findings(
    test: TestInput, marks: Marks, peak: Peak, settings: PeakSettings, affected: set[str]
) -> list[Finding]:
    series = test.series
    if not series.has("vo2_ml_min"):
        return [finding("no_uptake", "The intervals have no VO2, so there is no peak, plateau or rank.")]
    if peak.vo2_ml_min is None or peak.end_s is None:
        affected |= _RESTS_ON["vo2_ml_min"]
        return [finding("no_window_covered", peak.reasons["vo2_ml_min"])]
    found = []
    asked, effective = peak.window_s, peak.effective_window_s
    if asked is not None and effective is not None and effective > asked + _SLACK_S:
        found.append(
            finding(
                "window_longer_than_asked",
                f"Intervals of {effective:g} s were averaged where a window of {asked:g} s was asked for.",
            )
        )
    # One window further than exercise: does the uptake still rise after the mark?
    reach = settings.seconds or (peak.end_s - (peak.start_s or 0.0))
    later_marks = Marks(marks.exercise_start_s, marks.exercise_end_s + reach, marks.basis)
    later = peak_window(series, later_marks, settings)
    if (
        later is not None
        and later.end_s > marks.exercise_end_s + _SLACK_S
        and later.value - peak.vo2_ml_min
        > max(_EARLY_END_FRACTION * peak.vo2_ml_min, _chance_of_later(series, marks, later.end_s, reach))
    ):
        found.append(
            finding(
                "end_mark_may_be_early",
                f"The highest mean uptake, {later.value:.0f} mL/min, ends {later.end_s - marks.exercise_end_s:.0f} s "
                f"after the end of exercise at {marks.exercise_end_s:.0f} s; up to the mark it is "
                f"{peak.vo2_ml_min:.0f} mL/min.",
            )
        )
    return found


def _chance_of_later(series: Series, marks: Marks, later_end_s: float, window_s: float) -> float:
    """How much a window moved past the end may gain by chance, mL/min: 2.5 SD of the scatter between rows."""
    counts = counted_rows(series) & (series.end_s <= marks.exercise_end_s + _SLACK_S)
    near = counts & (series.end_s > marks.exercise_end_s - max(120.0, 2 * window_s))
    uptake = series.channel("vo2_ml_min")[near]
    if uptake.size < 5:
        return 0.0
    # Second differences leave the trend out; their variance is six times that of a row.
    scatter = float(np.sqrt(np.mean(np.diff(uptake, 2) ** 2) / 6))
    length = float(np.mean(series.duration_s[near]))
    rows, moved = max(1.0, window_s / length), max(1.0, (later_end_s - marks.exercise_end_s) / length)
    return 2.5 * scatter * float(np.sqrt(2 * min(rows, moved))) / rows


def _impossible(test: TestInput, marks: Marks, peak: Peak, affected: set[str]) -> list[Finding]:
    series = test.series
    touching = np.zeros(len(series), dtype=np.bool_)
    if peak.start_s is not None and peak.end_s is not None:
        touching = seconds_inside(series, peak.start_s, peak.end_s) > _SLACK_S
    found = []
    # What is impossible is told whether or not a rule leaves the breath out for another of its values.
    recorded = replace(series, aberrant=np.zeros(0, dtype=np.bool_)) if series.aberrant.size else series
    for key in CHANNELS:
        if not series.has(key):
            continue
        values = series.channel(key)
        wrong = np.isfinite(values) & ~series.excluded & ~counted_rows(recorded, key)
        if key == "heart_rate_bpm":
            wrong &= values != 0  # zero is a sensor without contact, which has its own finding
        if key == "vco2_ml_min":
            wrong &= ~carbon_dioxide_lost(series, marks)  # so has a lost channel
        for rows, severe in ((wrong & touching, True), (wrong & ~touching, False)):
            (at,) = np.nonzero(rows)
            if not at.size:
                continue
            if severe:
                affected |= _RESTS_ON.get(key, frozenset())
            found.append(
                finding(
                    "impossible_value",
                    f"{_label(key)} of {_values(values[at], key)} in {_rows(at.size)}"
                    f"{' of the peak window' if severe else ''}; possible are {_limits(key)}.",
                    severity="error" if severe else "warning",
                    first_seq=int(at[0]),
                    last_seq=int(at[-1]),
                )
            )
    return found


def _impossible_results(peak: Peak, affected: set[str]) -> list[Finding]:
    found = []
    for key, value in (
        ("vo2_peak_ml_kg_min", peak.vo2_ml_kg_min),
        ("o2_pulse_peak_ml_beat", peak.o2_pulse_ml_beat),
        ("rer_max", peak.rer),
    ):
        if value is None or QUANTITIES[key].plausible(value):
            continue
        shown = QUANTITIES[key]
        text = f"{shown.label} is {shown.show(value)}; "
        if shown.possible(value):
            found.append(finding("implausible_value", f"{text}usual are {_limits(key, 'soft')}."))
        else:
            affected.add(key)
            if key == "vo2_peak_ml_kg_min":
                affected.add("mets_peak")
            found.append(finding("impossible_value", f"{text}possible are {_limits(key)}.", severity="error"))
    return found


def _label(key: str) -> str:
    return QUANTITIES[key].label


def _rows(n: int) -> str:
    return "1 row" if n == 1 else f"{n} rows"


def _limits(key: str, which: str = "hard") -> str:
    quantity = QUANTITIES[key]
    low, high = (quantity.hard if which == "hard" else quantity.soft) or (float("-inf"), float("inf"))
    return f"{low:g} to {high:g} {quantity.unit}".rstrip()


def _values(values: Floats, key: str) -> str:
    low, high = QUANTITIES[key].show(float(values.min())), QUANTITIES[key].show(float(values.max()))
    return low if low == high else f"{low} to {high}"


def _smoothed(series: Series, values: Floats) -> Floats:
    """Medians of five neighbouring breaths; averaged rows as they are."""
    if not is_breath_by_breath(series):
        return values
    padded = np.concatenate((values[:1], values[:1], values, values[-1:], values[-1:]))
    ordered = np.sort(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    # What is missing is sorted to the end.
    middle: Floats = np.where(np.isnan(ordered[:, -1]), np.nan, ordered[:, 2])
    return middle


def _implausible(series: Series, marks: Marks) -> list[Finding]:
    exercise = rows_in_exercise(series, marks)
    # At the onset the stores of the body fill and empty, and ratios lie outside what is usual.
    settled = exercise & (series.start_s >= marks.exercise_start_s + 120.0)
    uptake, output, ventilation = (
        counted_values(series, key) for key in ("vo2_ml_min", "vco2_ml_min", "ve_l_min")
    )
    lost = carbon_dioxide_lost(series, marks)
    output = np.where(lost, np.nan, output)
    derived = {
        "rer": output / uptake,
        "ve_vo2": 1000 * ventilation / uptake,
        "ve_vco2": 1000 * ventilation / output,
    }
    found = []
    for key in (*(one for one in CHANNELS if series.has(one)), *derived):
        if key in derived:
            values, judged = derived[key], settled
        else:
            values, judged = output if key == "vco2_ml_min" else counted_values(series, key), exercise
        limits = QUANTITIES[key].soft
        if limits is None:
            continue
        seen = _smoothed(series, values)
        # What is missing is neither below nor above.
        odd = np.isfinite(seen) & judged & ((seen < limits[0]) | (seen > limits[1]))
        (at,) = np.nonzero(odd)
        if at.size:
            found.append(
                finding(
                    "implausible_value",
                    f"{_label(key)} of {_values(seen[at], key)} in {_rows(at.size)} of exercise; usual are "
                    f"{_limits(key, 'soft')}.",
                    first_seq=int(at[0]),
                    last_seq=int(at[-1]),
                )
            )
    return found


def _lost_ratio(series: Series, marks: Marks, affected: set[str]) -> list[Finding]:
    (rows,) = np.nonzero(carbon_dioxide_lost(series, marks))
    if not rows.size:
        return []
    affected.add("rer_max")
    return [
        finding(
            "ratio_channel_lost",
            f"VCO2 is lost in {_rows(rows.size)} of exercise, from {series.start_s[rows[0]]:.0f} s to "
            f"{series.end_s[rows[-1]]:.0f} s, while uptake goes on. No RER is given.",
            first_seq=int(rows[0]),
            last_seq=int(rows[-1]),
        )
    ]


def _mode_doubt(test: TestInput) -> list[Finding]:
    """A file of a treadmill has a speed and no work rate, a file of a cycle or arm ergometer the reverse."""
    moving, loaded = (
        test.series.has(key) and bool(np.nanmax(test.series.channel(key)) > 0)
        for key in ("speed_km_h", "work_rate_w")
    )
    if test.mode in {"cycle", "arm"} and moving and not loaded:
        has, lacks = "a speed", "work rate"
    elif test.mode in {"treadmill", "walk", "run"} and loaded and not moving:
        has, lacks = "a work rate", "speed"
    else:
        return []
    return [
        finding("mode_doubt", f"The test is said to be of mode {test.mode}, but it has {has} and no {lacks}.")
    ]


def _stuck(series: Series, marks: Marks) -> list[Finding]:
    exercise = rows_in_exercise(series, marks) & ~series.excluded
    lost = carbon_dioxide_lost(series, marks)
    uptake = series.channel("vo2_ml_min")
    found = []
    for key in ("vo2_ml_min", "vco2_ml_min", "ve_l_min", "heart_rate_bpm"):
        values = series.channel(key)
        heart = key == "heart_rate_bpm"
        least_s, least_rows = (
            (_STUCK_HEART_RATE_S, _STUCK_HEART_RATE_ROWS) if heart else (_STUCK_S, _STUCK_ROWS)
        )
        for first, last in _repeats(values, exercise):
            seconds = float(series.end_s[last] - series.start_s[first])
            if last - first + 1 < least_rows or seconds < least_s:
                continue
            if key == "vco2_ml_min" and lost[first : last + 1].any():
                continue  # said by its own finding
            if heart and not _rises(uptake[first : last + 1]):
                continue  # a heart rate may well stay where it is while the uptake does
            found.append(
                finding(
                    "channel_stuck",
                    f"{_label(key)} stays at {QUANTITIES[key].show(float(values[first]))} for {_rows(last - first + 1)}, "
                    f"{series.start_s[first]:.0f} s to {series.end_s[last]:.0f} s.",
                    first_seq=first,
                    last_seq=last,
                )
            )
    return found


def _rises(uptake: Floats) -> bool:
    half = len(uptake) // 2
    before, after = uptake[:half], uptake[-half:]
    if not (np.isfinite(before).any() and np.isfinite(after).any()):
        return False
    return float(np.nanmean(after)) > 1.05 * float(np.nanmean(before))


def _repeats(values: Floats, judged: Bools) -> list[tuple[int, int]]:
    """First and last row of each run of one value."""
    same = (np.diff(values) == 0) & judged[:-1] & judged[1:]
    return [(first, last + 1) for first, last in runs(same)]


def _heart_rate_lost(series: Series, marks: Marks) -> list[Finding]:
    if not series.has("heart_rate_bpm"):
        return []
    exercise = rows_in_exercise(series, marks) & ~series.excluded
    beats = series.channel("heart_rate_bpm")
    absent = exercise & ~(np.isfinite(beats) & (beats > 0))
    found = []
    for first, last in runs(absent):
        seconds = float(series.end_s[last] - series.start_s[first])
        zero = bool((beats[first : last + 1] == 0).any())
        if not zero and (seconds < _HEART_RATE_GAP_S or last == first):
            continue
        found.append(
            finding(
                "heart_rate_lost",
                f"Heart rate is {'zero' if zero else 'missing'} from {series.start_s[first]:.0f} s to "
                f"{series.end_s[last]:.0f} s ({_rows(last - first + 1)}).",
                first_seq=first,
                last_seq=last,
            )
        )
    # The first minute of exercise and a large step of the load may bring such a change in a healthy heart.
    settled = series.start_s > marks.exercise_start_s + 60.0
    whole = series.end_s <= marks.exercise_end_s + _SLACK_S
    known = exercise & settled & whole & counted_rows(series, "heart_rate_bpm")
    close = np.diff(series.end_s) <= _HEART_RATE_JUMP_WITHIN_S
    steps = np.zeros(len(series) - 1, dtype=np.bool_)
    for key in ("work_rate_w", "speed_km_h"):
        if not series.has(key):
            continue
        load = np.nan_to_num(series.channel(key))
        steps |= np.abs(np.diff(load)) > 0.2 * load.max()
    beside_step = share_near(steps, 3) > 0
    jumps = (np.abs(np.diff(beats)) > _HEART_RATE_JUMP_BPM) & close & known[:-1] & known[1:] & ~beside_step
    (at,) = np.nonzero(jumps)
    if at.size:
        largest = int(at[int(np.argmax(np.abs(np.diff(beats))[at]))])
        found.append(
            finding(
                "heart_rate_lost",
                f"Heart rate jumps {'once' if at.size == 1 else f'{at.size} times'} by more than "
                f"{_HEART_RATE_JUMP_BPM:.0f} beats/min from one row to the next; the largest is from "
                f"{beats[largest]:.0f} to {beats[largest + 1]:.0f} at {series.end_s[largest]:.0f} s.",
                first_seq=int(at[0]),
                last_seq=int(at[-1]) + 1,
            )
        )
    return found


def _heart_rate_low(test: TestInput, maxima: Maxima) -> list[Finding]:
    """A maximal heart rate that the ratio contradicts; the predicted one by tanaka_2001."""
    person, beats, ratio = test.person, maxima.heart_rate_bpm, maxima.rer
    if person.age_years is None or person.limits_heart_rate or beats is None or ratio is None:
        return []
    predicted = float(heart_rate_max_tanaka(person.age_years))
    if ratio < _HARD_WORK_RATIO or beats >= _LEAST_PREDICTED_PART * predicted:
        return []
    return [
        finding(
            "implausible_value",
            f"Maximal heart rate is {beats:.0f} beats/min, {100 * beats / predicted:.0f} % of the predicted "
            f"{predicted:.0f}, at a maximal RER of {ratio:.2f}. A pulse count that was not brought to a minute, or a sensor "
            "that loses beats, would look like this; so would a medication that is not recorded.",
        )
    ]


def _gaps(series: Series, marks: Marks) -> list[Finding]:
    if len(series) < 2:
        return []
    missing = series.start_s[1:] - series.end_s[:-1]
    least = max(1.0, 0.5 * median(series.duration_s))
    inside = (series.end_s[:-1] < marks.exercise_end_s) & (series.start_s[1:] > marks.exercise_start_s)
    (at,) = np.nonzero((missing > least) & inside)
    if not at.size:
        return []
    longest = int(at[int(np.argmax(missing[at]))])
    return [
        finding(
            "gap_in_times",
            f"{'A gap' if at.size == 1 else f'{at.size} gaps'} in exercise, {missing[at].sum():.0f} s in all; the longest "
            f"from {series.end_s[longest]:.0f} s to {series.start_s[longest + 1]:.0f} s.",
            first_seq=int(at[0]),
            last_seq=int(at[-1]) + 1,
        )
    ]


def _out_of_line(test: TestInput, marks: Marks) -> list[Finding]:
    series = test.series
    if test.mode != "cycle" or test.purpose != "maximal" or not series.has("work_rate_w"):
        return []
    # Submaximal part: without the first two minutes (kinetics) and the last two (a plateau).
    used = (
        counted_rows(series)
        & counted_rows(series, "work_rate_w")
        & (series.start_s >= marks.exercise_start_s + 120.0)
        & (series.end_s <= marks.exercise_end_s - 120.0)
    )
    watts, uptake = series.channel("work_rate_w")[used], series.channel("vo2_ml_min")[used]
    # Neither a constant load nor a single step tells a slope.
    if np.unique(watts).size < 3 or series.duration_s[used].sum() < 120.0:
        return []
    weight = np.sqrt(series.duration_s[used])
    slope = float(np.polynomial.polynomial.polyfit(watts, uptake, 1, w=weight)[1])
    # A few watts tell none either, unless the uptake rose far over them, as where watts were read as kgm/min.
    if float(np.ptp(watts)) < 50.0 and slope * float(np.ptp(watts)) < 500.0:
        return []
    quantity = QUANTITIES["vo2_work_rate_slope_ml_min_w"]
    if quantity.plausible(slope):
        return []
    (at,) = np.nonzero(used)
    return [
        finding(
            "uptake_out_of_line",
            f"Uptake rises by {slope:.1f} mL/min per watt; usual are {_limits(quantity.key, 'soft')}.",
            first_seq=int(at[0]),
            last_seq=int(at[-1]),
        )
    ]


def _against_cost(test: TestInput, marks: Marks) -> list[Finding]:
    """Uptake against the cost of speed and grade: wrong units of speed or body mass move it far."""
    series, mass = test.series, test.person.body_mass_kg
    if test.mode != "treadmill" or mass is None or not series.has("vo2_ml_min"):
        return []
    cost = find_loads(test, marks).per_row
    used = (
        counted_rows(series)
        & rows_in_exercise(series, marks)
        & (series.start_s >= marks.exercise_start_s + 120.0)
        & np.isfinite(cost)
    )
    if series.duration_s[used].sum() < 120.0:
        return []
    ratio = median(series.channel("vo2_ml_min")[used] / mass / cost[used])
    if ratio < _COST_RATIO_LOW:
        if test.handrail_support:
            return []
        why = "Speed in km/h read as mph, body mass in pounds read as kilograms, or hands on the rail"
    elif ratio > _COST_RATIO_HIGH:
        why = "Speed in mph read as km/h, or body mass in kilograms read as pounds"
    else:
        return []
    (at,) = np.nonzero(used)
    return [
        finding(
            "unit_doubt",
            f"Uptake per body mass is {ratio:.2f} times the usual cost of this speed and grade (ACSM equations, median "
            f"of the rows); usual are {_COST_RATIO_LOW:g} to {_COST_RATIO_HIGH:g}. {why} would look like this.",
            first_seq=int(at[0]),
            last_seq=int(at[-1]),
        )
    ]


def _missing(test: TestInput, maxima: Maxima) -> list[Finding]:
    series = test.series
    found = []
    if not series.has("heart_rate_bpm") and maxima.heart_rate_bpm is None:
        found.append(finding("no_heart_rate", "Neither the intervals nor the stage notes have a heart rate."))
    if not series.has("vco2_ml_min") and series.has("vo2_ml_min"):
        found.append(finding("no_carbon_dioxide", "The intervals have no VCO2, so there is no RER."))
    (at,) = np.nonzero(series.excluded)
    if at.size:
        found.append(
            finding(
                "rows_excluded",
                f"{_rows(at.size)} {'was' if at.size == 1 else 'were'} excluded by hand.",
                first_seq=int(at[0]),
                last_seq=int(at[-1]),
            )
        )
    return found


def _length(test: TestInput, marks: Marks) -> list[Finding]:
    if test.purpose != "maximal":
        return []
    minutes = marks.duration_s / 60
    if 300 <= marks.duration_s <= 1200:
        return []
    code = "shorter_than_usual" if marks.duration_s < 300 else "longer_than_usual"
    return [finding(code, f"Exercise lasted {minutes:.1f} minutes.")]
