"""Graded exercise tests with known ventilatory thresholds, simulated breath by breath.

Nothing here is measured on anybody, and nothing in it is fitted to the methods that it checks.

Truth. The load sets an oxygen demand; uptake follows with a delay and a time constant (their sum is the mean response
time). Aerobic CO2 output is `slope_1` times uptake less a constant, slowed further because the body's CO2 stores fill
(VCO2 kinetics are slower than VO2 kinetics: common knowledge, time constants from memory). From an uptake `vt1` on, the
lungs give off extra CO2 (`slope_2`); from `vt2` on, ventilation rises more steeply with CO2 output, which washes out some
more CO2. A threshold is thus the uptake at the mouth at which gas exchange at the mouth changes. `excess_delay_s` lets the
extra CO2 arrive later, as it would if the threshold were one of the muscle.

Noise. Its sizes are those of 36 real treadmill ramps (Nolte, Rein and Quittmann, Sports Med 2023; compared in
`tests/outside/test_thresholds_running_ramp.py`). All three quantities of a breath go up and down together by 3.6 to 6.3 %
of the peak: independent from breath to breath, the same at rest and at the peak (as in Lamarra et al. 1987). VCO2/VO2 of a
breath scatters by 1.2 to 2.0 %, VE/VCO2 by 2.4 to 3.5 %; both remember the breath before a little, so that means over 10,
20, 30 and 60 s scatter as the real ones do, or slightly more. On top come a slow wander and a few aberrant breaths (coughs,
swallows). At a peak of 3,000 mL/min two neighbouring 30-s means of uptake differ by chance with an SD of about 50 mL/min.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from service.analysis.series import PHASES, Person, Series, TestInput
from tests.analysis.simulated_tests import means_of_breaths, means_of_seconds

Floats = NDArray[np.float64]
Kind = Literal["ramp", "step"]

REST_S = 60.0
WARM_UP_S = 180.0
RECOVERY_S = 60.0
#: Peaks of the levels of fitness, mL/min.
FITNESS: dict[str, tuple[float, float]] = {
    "low": (1400.0, 2000.0),
    "middle": (2200.0, 3200.0),
    "high": (3600.0, 5200.0),
}


@dataclass(frozen=True)
class Athlete:
    """Who is simulated, and how noisily."""

    peak_ml_min: float = 3000.0
    vt1_ml_min: float = 1750.0
    vt2_ml_min: float = 2500.0
    slope_1: float = 0.95
    slope_2: float = 1.30
    slope_3_more: float = 0.10
    carbon_offset_ml_min: float = 60.0
    ventilation_offset_l_min: float = 4.0
    ventilation_slope: float = 26.0  # L of air a L of CO2
    ventilation_rise: float = 1.7  # factor of the slope above vt2
    gain: float = 10.0
    delay_s: float = 12.0
    time_constant_s: float = 30.0
    stores_s: float = 20.0  # further time constant of aerobic CO2
    ventilation_s: float = 5.0
    excess_delay_s: float = 0.0
    warm_up_w: float = 20.0
    exercise_s: float = 600.0
    breath_part: float = 0.05  # SD of the common noise, of the peak
    ratio_sd: float = 0.016
    ratio_memory: float = 0.3
    ventilation_sd: float = 0.03
    ventilation_memory: float = 0.25
    wander_part: float = 0.007
    ratio_wander_sd: float = 0.003
    wander_s: float = 20.0
    aberrant_part: float = 0.004


@dataclass(frozen=True)
class Known:
    """A test, and what is true of it. None where there is no such threshold."""

    test: TestInput
    vt1_ml_min: float | None
    vt2_ml_min: float | None
    vt1_time_s: float | None
    athlete: Athlete
    mean_response_s: float


def random_athlete(random: np.random.Generator, fitness: str = "middle") -> Athlete:
    """One of many; fitter people have later thresholds and faster kinetics."""
    peak = float(random.uniform(*FITNESS[fitness]))
    shift = {"low": -0.04, "middle": 0.0, "high": 0.05}[fitness]
    vt1 = float(random.uniform(0.50, 0.64)) + shift
    vt2 = max(float(random.uniform(0.76, 0.88)) + shift, vt1 + 0.16)
    slower = {"low": 8.0, "middle": 0.0, "high": -6.0}[fitness]
    return Athlete(
        peak_ml_min=peak,
        vt1_ml_min=vt1 * peak,
        vt2_ml_min=vt2 * peak,
        slope_1=float(random.uniform(0.90, 1.0)),
        slope_2=float(random.uniform(1.20, 1.60)),
        slope_3_more=float(random.uniform(0.0, 0.25)),
        carbon_offset_ml_min=float(random.uniform(0.01, 0.04)) * peak,
        ventilation_offset_l_min=float(random.uniform(2.0, 5.0)),
        ventilation_slope=float(random.uniform(22.0, 30.0)),
        ventilation_rise=float(random.uniform(1.4, 2.2)),
        gain=float(random.normal(10.0, 0.5)),
        delay_s=float(random.uniform(8.0, 16.0)),
        time_constant_s=float(random.uniform(22.0, 36.0)) + slower,
        stores_s=float(random.uniform(12.0, 25.0)),
        warm_up_w={"low": 0.0, "middle": 20.0, "high": 50.0}[fitness],
        exercise_s=float(random.uniform(480.0, 720.0)),
        breath_part=float(random.uniform(0.036, 0.063)),
        ratio_sd=float(random.uniform(0.012, 0.020)),
        ventilation_sd=float(random.uniform(0.024, 0.035)),
    )


def without_break(athlete: Athlete) -> Athlete:
    """The same person in whom nothing bends: no extra CO2, no extra ventilation."""
    return replace(athlete, slope_2=athlete.slope_1, slope_3_more=0.0, ventilation_rise=1.0)


def louder(athlete: Athlete, factor: float) -> Athlete:
    """The same person with all noise made larger."""
    return replace(
        athlete,
        breath_part=athlete.breath_part * factor,
        ratio_sd=athlete.ratio_sd * factor,
        ventilation_sd=athlete.ventilation_sd * factor,
        wander_part=athlete.wander_part * factor,
        ratio_wander_sd=athlete.ratio_wander_sd * factor,
    )


def simulate(
    athlete: Athlete,
    seed: int,
    *,
    kind: Kind = "ramp",
    rows: Literal["breaths"] | float = "breaths",
    stage_s: float = 60.0,
    with_ventilation: bool = True,
) -> Known:
    """One test on the cycle to exhaustion, from a warm-up.

    The load rises so that uptake ends at the peak. Rows are breaths, or means of so many seconds.
    """
    random = np.random.default_rng(seed)
    onset = REST_S + WARM_UP_S
    end = onset + athlete.exercise_s
    second = np.arange(0.0, end + RECOVERY_S)
    watts, demand = _load_and_demand(athlete, second, onset, end, kind, stage_s)
    uptake = _follow(_later(demand, athlete.delay_s), athlete.time_constant_s)
    carbon, ventilation = _carbon_and_air(athlete, uptake)
    broken = athlete.slope_2 > athlete.slope_1
    working = (second >= onset) & (second < end)
    reached = float(uptake[working].max())
    (above,) = np.nonzero(working & (uptake >= athlete.vt1_ml_min))
    test = _record(
        athlete, random, second, watts, uptake, carbon, ventilation, onset, end, kind, rows, with_ventilation
    )
    return Known(
        test=test,
        vt1_ml_min=athlete.vt1_ml_min if broken and above.size else None,
        vt2_ml_min=athlete.vt2_ml_min
        if athlete.ventilation_rise > 1 and reached > athlete.vt2_ml_min
        else None,
        vt1_time_s=float(second[above[0]]) if above.size else None,
        athlete=athlete,
        mean_response_s=athlete.delay_s + athlete.time_constant_s,
    )


def _load_and_demand(
    athlete: Athlete, second: Floats, onset: float, end: float, kind: Kind, stage_s: float
) -> tuple[Floats, Floats]:
    base = 0.12 * athlete.peak_ml_min + 80.0  # at rest
    unloaded = base + 0.06 * athlete.peak_ml_min + 60.0  # turning the pedals
    late = athlete.delay_s + athlete.time_constant_s
    # The load at the end whose demand, a mean response time earlier, is the peak.
    per_s = (
        (athlete.peak_ml_min - unloaded - athlete.gain * athlete.warm_up_w)
        / athlete.gain
        / (athlete.exercise_s - late)
    )
    since = np.clip(second - onset, 0.0, athlete.exercise_s)
    rising = athlete.warm_up_w + per_s * since
    if kind == "step":
        rising = athlete.warm_up_w + per_s * stage_s * np.floor(since / stage_s + 0.5)
    watts = np.where(second < REST_S, 0.0, np.where(second < onset, athlete.warm_up_w, rising))
    watts = np.where(second >= end, athlete.warm_up_w, watts)
    demand = np.where(second < REST_S, base, unloaded + athlete.gain * watts)
    return watts, demand


def _later(values: Floats, delay_s: float) -> Floats:
    delay = round(delay_s)
    return np.concatenate((np.full(delay, values[0]), values[: values.size - delay]))


def _follow(target: Floats, time_constant_s: float) -> Floats:
    if time_constant_s <= 0:
        return target
    keep = np.exp(-1.0 / time_constant_s)
    answer = np.empty(target.shape)
    value = target[0]
    for place, wanted in enumerate(target):
        value = wanted + (value - wanted) * keep
        answer[place] = value
    return answer


def _carbon_and_air(athlete: Athlete, uptake: Floats) -> tuple[Floats, Floats]:
    aerobic = _follow(athlete.slope_1 * uptake - athlete.carbon_offset_ml_min, athlete.stores_s)
    seen = _later(uptake, athlete.excess_delay_s)
    extra = (athlete.slope_2 - athlete.slope_1) * np.maximum(seen - athlete.vt1_ml_min, 0.0)
    washed = athlete.slope_3_more * np.maximum(uptake - athlete.vt2_ml_min, 0.0)
    before = aerobic + extra
    carbon = before + washed
    # Ventilation bends where uptake reaches the second threshold.
    (above,) = np.nonzero(uptake >= athlete.vt2_ml_min)
    at = float(carbon[above[0]]) if above.size else np.inf
    air = athlete.ventilation_offset_l_min + athlete.ventilation_slope / 1000.0 * (
        carbon + (athlete.ventilation_rise - 1.0) * np.maximum(carbon - at, 0.0)
    )
    return carbon, _follow(air, athlete.ventilation_s)


def _record(
    athlete: Athlete,
    random: np.random.Generator,
    second: Floats,
    watts: Floats,
    uptake: Floats,
    carbon: Floats,
    air: Floats,
    onset: float,
    end: float,
    kind: Kind,
    rows: Literal["breaths"] | float,
    with_ventilation: bool,
) -> TestInput:
    part = np.clip(uptake / athlete.peak_ml_min, 0.0, 1.0)
    starts, ends = _breaths(random, second, 14.0 + 28.0 * part**2)
    n = ends.size
    vo2, vco2, ve = (means_of_seconds(second, one, starts, ends) for one in (uptake, carbon, air))
    together = random.normal(0.0, athlete.breath_part * athlete.peak_ml_min, n)
    together += _wander(random, ends, athlete.wander_part * athlete.peak_ml_min, athlete.wander_s)
    together = np.maximum(1.0 + together / vo2, 0.15)
    odd = random.random(n) < athlete.aberrant_part
    together = np.where(odd, together * random.choice([0.1, 0.3, 2.2], n), together)
    ratio = _remembering(random, n, athlete.ratio_sd, athlete.ratio_memory)
    ratio += _wander(random, ends, athlete.ratio_wander_sd, athlete.wander_s)
    more_air = _remembering(random, n, athlete.ventilation_sd, athlete.ventilation_memory)
    channels = {
        "vo2_ml_min": vo2 * together,
        "vco2_ml_min": vco2 * together * np.exp(ratio),
        "heart_rate_bpm": np.round(70.0 + 115.0 * means_of_seconds(second, part, starts, ends)),
        "work_rate_w": watts[np.minimum((0.5 * (starts + ends)).astype(int), second.size - 1)],
    }
    if with_ventilation:
        channels["ve_l_min"] = ve * together * np.exp(ratio + more_air)
    if rows == "breaths":
        row_start, row_end = starts, ends
    else:
        row_end = np.arange(rows, second[-1] + 1.0, rows)
        row_start = row_end - rows
        channels = {
            key: means_of_breaths(starts, ends, one, row_start, row_end) for key, one in channels.items()
        }
        channels["work_rate_w"] = means_of_seconds(second, watts, row_start, row_end)
    middle = 0.5 * (row_start + row_end)
    phase = np.select(
        [middle < REST_S, middle < onset, middle < end],
        [PHASES.index("rest"), PHASES.index("warm_up"), PHASES.index("exercise")],
        PHASES.index("recovery"),
    ).astype(np.int8)
    series = Series(
        end_s=row_end,
        duration_s=row_end - row_start,
        channels=channels,
        phase=phase,
        stage=np.full(row_end.size, -1, dtype=np.int64),
        excluded=np.zeros(row_end.size, dtype=np.bool_),
    )
    return TestInput(
        series=series,
        mode="cycle",
        person=Person(body_mass_kg=75.0),
        shape=kind,
        exercise_start_s=onset,
        exercise_end_s=end,
        stop_reason="exhaustion",
    )


def _breaths(random: np.random.Generator, second: Floats, rate: Floats) -> tuple[Floats, Floats]:
    jitter = np.clip(random.normal(1.0, 0.12, 4000), 0.6, 1.5)
    ends: list[float] = []
    time, last = 0.0, float(second[-1])
    while True:
        time += 60.0 / float(rate[int(time)]) * float(jitter[len(ends)])
        if time > last:
            break
        ends.append(time)
    end_s = np.array(ends)
    return np.concatenate(([0.0], end_s[:-1])), end_s


def _remembering(random: np.random.Generator, n: int, spread: float, memory: float) -> Floats:
    """First-order autoregressive noise of a stated SD."""
    pushes = random.normal(0.0, spread, n)
    answer = np.empty(n)
    value = pushes[0]
    for place, push in enumerate(pushes):
        value = memory * value + np.sqrt(1.0 - memory**2) * push
        answer[place] = value
    return answer


def _wander(random: np.random.Generator, ends: Floats, spread: float, time_constant_s: float) -> Floats:
    """A slow disturbance that forgets itself."""
    keep = np.exp(-np.diff(ends, prepend=ends[0] - time_constant_s) / time_constant_s)
    pushes = random.normal(0.0, spread, ends.size)
    answer = np.empty(ends.size)
    value = 0.0
    for place, held in enumerate(keep):
        value = held * value + np.sqrt(1.0 - held**2) * pushes[place]
        answer[place] = value
    return answer
