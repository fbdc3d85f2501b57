"""Simulated physiology of a graded exercise test, second by second and breath by breath.

Nothing here is measured. The equations are the usual textbook ones (first-order oxygen uptake kinetics with a
slow component above the first threshold, a linear cost of work, ventilation driven by CO2 output with two
breaks, the alveolar gas equation for end-tidal pressures); the constants are chosen so that the results lie
where published values lie, and ``tests/seed_data`` compares them.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Sex = Literal["female", "male"]
Mode = Literal["cycle", "treadmill", "row"]
Phase = Literal["rest", "warm_up", "exercise", "recovery"]

WATER_VAPOUR_37_C_MMHG = 47.08
FIO2 = 0.2093
WALK_RUN_CHANGE_KM_H = 7.2


@dataclass(frozen=True, slots=True)
class Person:
    """Lasting traits of an invented person.

    Uptake figures are mL/min (STPD), ventilation L/min (BTPS), heart rates beats/min, times s. `ceiling_ml_min`
    is the highest uptake on the treadmill; `mode_factors` scales it to the other modes.
    """

    sex: Sex
    ceiling_ml_min: float
    mode_factors: tuple[float, float, float]
    heart_rate_max: float
    heart_rate_rest: float
    vt1_fraction: float
    vt2_fraction: float
    gain_ml_min_w: float
    economy: float
    tau_s: float
    quotient_low: float
    quotient_vt1: float
    excess_co2: float
    ventilation_slope: float
    ventilation_extra: float
    tidal_volume_max_l: float
    capacity_ml_kg: float
    recovery_tau_s: float
    recovery_share: float
    cadence_per_min: float

    def ceiling(self, mode: Mode) -> float:
        """Highest uptake in one mode, mL/min."""
        factor = dict(zip(("treadmill", "cycle", "row"), self.mode_factors, strict=True))[mode]
        return self.ceiling_ml_min * factor


@dataclass(frozen=True, slots=True)
class Load:
    """What the ergometer asks for at one moment."""

    work_rate_w: float = 0.0
    speed_km_h: float = 0.0
    grade_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class Plan:
    """A protocol as a timetable.

    Attributes
    ----------
    rest_s, warm_up_s, recovery_s : float
    warm_up, cool_down : Load
    load_at : callable
        Load as a function of the seconds since the start of exercise.
    stage_s : float or None
        Length of a stage; None for a ramp.
    limit_s : float
        Longest exercise.
    """

    mode: Mode
    rest_s: float
    warm_up_s: float
    warm_up: Load
    load_at: Callable[[float], Load]
    stage_s: float | None
    cool_down: Load
    recovery_s: float
    limit_s: float = 1800.0


@dataclass(frozen=True, slots=True)
class Trace:
    """One simulated test without noise, one value a second; `time_s` marks the end of the second."""

    time_s: Floats
    phase: tuple[Phase, ...]
    stage: NDArray[np.int64]
    work_rate_w: Floats
    speed_km_h: Floats
    grade_percent: Floats
    demand: Floats
    vo2: Floats
    vco2: Floats
    ve: Floats
    tidal_volume_l: Floats
    heart_rate: Floats
    peto2: Floats
    petco2: Floats
    spo2: Floats
    ceiling: float
    exercise_start_s: float
    exercise_end_s: float


@dataclass(frozen=True, slots=True)
class Breaths:
    """Breath-by-breath values with their noise; `end_s` is the end of each breath."""

    end_s: Floats
    duration_s: Floats
    vo2: Floats
    vco2: Floats
    ve: Floats
    tidal_volume_l: Floats
    peto2: Floats
    petco2: Floats


def median_vo2max_ml_kg_min(sex: Sex, age_years: float) -> float:
    """Treadmill VO2max in the middle of the invented population, mL/kg/min.

    Men fall by 0.475 mL/kg/min a year from 48.2 at 25; women by 1.48 % a year from 36.6 at 25. Chosen to run
    near the medians of Kaminsky, Arena & Myers 2015 (treadmill).
    """
    if sex == "male":
        return 48.2 - 0.475 * (age_years - 25.0)
    return 36.6 * math.exp(-0.0148 * (age_years - 25.0))


def draw_person(
    rng: np.random.Generator,
    sex: Sex,
    age_years: float,
    mass_kg: float,
    height_cm: float,
    *,
    fitness: float | None = None,
    trained: bool = False,
) -> Person:
    """Draw the lasting traits of a person.

    Parameters
    ----------
    fitness : float, optional
        Treadmill VO2max as a multiple of the population's middle; drawn (log SD 0.20) where not given.
    trained : bool
        Later thresholds and little loss in the mode trained in.
    """
    ratio = math.exp(rng.normal(0.0, 0.20)) if fitness is None else fitness
    relative = median_vo2max_ml_kg_min(sex, age_years) * ratio
    vt1 = float(np.clip(rng.normal(0.66 if trained else 0.58, 0.03), 0.48, 0.74))
    vt2 = float(np.clip(vt1 + rng.normal(0.22 if trained else 0.26, 0.02), 0.76, 0.91))
    older = max(0.0, age_years - 30.0)
    heart_rate_max = 208.0 - 0.7 * age_years + float(np.clip(rng.normal(0.0, 9.0), -20.0, 20.0))
    size = (height_cm - 150.0) / 100.0
    return Person(
        sex=sex,
        ceiling_ml_min=relative * mass_kg,
        mode_factors=(1.0, float(rng.normal(0.94 if trained else 0.89, 0.02)), float(rng.normal(0.98, 0.01))),
        heart_rate_max=heart_rate_max,
        heart_rate_rest=float(np.clip(rng.normal(74.0 - 0.30 * relative, 4.0), 42.0, 84.0)),
        vt1_fraction=vt1,
        vt2_fraction=vt2,
        gain_ml_min_w=float(np.clip(rng.normal(9.9, 0.30), 9.2, 10.6)),
        economy=float(np.clip(rng.normal(0.96, 0.035), 0.88, 1.04)),
        tau_s=float(np.clip(rng.normal(48.0 - 0.5 * (relative - 25.0), 3.0), 22.0, 55.0)),
        quotient_low=float(np.clip(rng.normal(0.83, 0.015), 0.80, 0.87)),
        quotient_vt1=float(np.clip(rng.normal(0.915, 0.015), 0.88, 0.95)),
        excess_co2=float(
            np.clip(rng.normal((0.45 if trained else 0.405) - 0.0014 * older, 0.045), 0.26, 0.54)
        ),
        ventilation_slope=float(
            np.clip(
                rng.normal(
                    24.8 + 0.04 * older + (1.0 if sex == "female" else 0.0) + (0.7 if trained else 0.0), 1.3
                ),
                22.5,
                30.0,
            )
        ),
        ventilation_extra=float(np.clip(rng.normal(28.0 if trained else 20.0, 5.0), 8.0, 40.0)),
        tidal_volume_max_l=float(
            np.clip(
                rng.normal(
                    (1.9 if sex == "male" else 1.45) + 2.6 * size - 0.006 * older + (0.2 if trained else 0.0),
                    0.15,
                ),
                1.3,
                3.9,
            )
        ),
        capacity_ml_kg=float(
            np.clip(rng.normal((15.0 if sex == "male" else 12.3) + (5.0 if trained else 0.0), 2.5), 9.0, 26.0)
        ),
        recovery_tau_s=float(
            np.clip(rng.normal(72.0 + 0.5 * older - 0.4 * (relative - 35.0), 8.0), 42.0, 120.0)
        ),
        recovery_share=float(np.clip(rng.normal(0.48, 0.03), 0.40, 0.56)),
        cadence_per_min=float(rng.normal(74.0, 5.0)),
    )


def on_the_day(
    rng: np.random.Generator,
    person: Person,
    *,
    ceiling_factor: float = 1.0,
    heart_rate_factor: float = 1.0,
    effort: float = 1.0,
) -> Person:
    """The person as met on one day: biological variation and the training state laid over the lasting traits.

    Parameters
    ----------
    ceiling_factor : float
        Training state: VO2max as a multiple of the lasting one.
    heart_rate_factor : float
        Below 1 with a medication that limits heart rate.
    effort : float
        Multiplies the capacity to go on above the second threshold.
    """
    day = math.exp(rng.normal(0.0, 0.036))
    return replace(
        person,
        ceiling_ml_min=person.ceiling_ml_min * ceiling_factor * day,
        heart_rate_max=person.heart_rate_max * heart_rate_factor + rng.normal(0.0, 2.0),
        heart_rate_rest=person.heart_rate_rest * (0.5 + 0.5 * heart_rate_factor)
        - 22.0 * (ceiling_factor - 1.0)
        + rng.normal(0.0, 2.0),
        vt1_fraction=person.vt1_fraction + 0.25 * (ceiling_factor - 1.0) + rng.normal(0.0, 0.012),
        vt2_fraction=person.vt2_fraction + 0.10 * (ceiling_factor - 1.0) + rng.normal(0.0, 0.010),
        gain_ml_min_w=person.gain_ml_min_w * math.exp(rng.normal(0.0, 0.015)),
        economy=person.economy * math.exp(rng.normal(0.0, 0.012)),
        quotient_low=person.quotient_low + rng.normal(0.0, 0.010),
        quotient_vt1=person.quotient_vt1 + rng.normal(0.0, 0.010),
        ventilation_slope=person.ventilation_slope * math.exp(rng.normal(0.0, 0.025)),
        capacity_ml_kg=person.capacity_ml_kg * effort * math.exp(rng.normal(0.0, 0.15)),
        recovery_tau_s=person.recovery_tau_s * math.exp(rng.normal(0.0, 0.08)),
    )


def oxygen_cost_ml_min(person: Person, mode: Mode, load: Load, mass_kg: float) -> float:
    """Steady oxygen cost of a load, mL/min.

    Cycle: 150 + 6 mass + gain x W (unloaded pedalling after Wasserman). Rowing ergometer: 500 + 12.4 W, economy
    applied. Treadmill: the ACSM walking equation 3.5 + 0.1 S + 1.8 S G below the walk-run change and the running
    equation 3.5 + 0.2 S + 0.9 S G above it (S m/min, G fraction), times the person's economy.
    """
    if mode == "cycle":
        return 150.0 + 6.0 * mass_kg + person.gain_ml_min_w * load.work_rate_w
    if mode == "row":
        if load.work_rate_w <= 0.0:
            return 4.4 * mass_kg
        return 500.0 + 12.4 * person.economy / 0.96 * load.work_rate_w
    speed, grade = load.speed_km_h / 0.06, load.grade_percent / 100.0
    if load.speed_km_h < 0.5:
        return 4.6 * mass_kg
    walk = 3.5 + 0.1 * speed + 1.8 * speed * grade
    run = 3.5 + 0.2 * speed + 0.9 * speed * grade
    share = 1.0 / (1.0 + math.exp(-(load.speed_km_h - WALK_RUN_CHANGE_KM_H) / 0.25))
    return (walk + share * (run - walk)) * person.economy * mass_kg


def _soft_ceiling(value: float, ceiling: float) -> float:
    """`value` held below `ceiling` by a rounded corner, so that uptake bends into a plateau."""
    width = 0.012 * ceiling
    distance = (ceiling - value) / width
    if distance > 30.0:
        return value
    return ceiling - width * math.log1p(math.exp(distance))


def simulate(  # noqa: PLR0915  one pass through the seconds of a test, in the order of cause and effect
    person: Person,
    plan: Plan,
    mass_kg: float,
    *,
    stop_s: float | None = None,
    round_to_s: float = 5.0,
    barometric_pressure_mmhg: float = 750.0,
    after: "Trace | None" = None,
) -> Trace:
    """Run one test to exhaustion or to a given time.

    Parameters
    ----------
    stop_s : float, optional
        Seconds of exercise after which the test is stopped; None goes on until the capacity above the second
        threshold is spent.
    round_to_s : float
        The end of exercise falls on a multiple of it.
    after : Trace, optional
        A test that ended just before; uptake, CO2 output, ventilation and heart rate go on from its end.
    """
    mode, ceiling = plan.mode, person.ceiling(plan.mode)
    rest_cost = (4.0 if mode != "treadmill" else 4.4) * mass_kg
    vt1, vt2 = person.vt1_fraction * ceiling, person.vt2_fraction * ceiling
    capacity = person.capacity_ml_kg * mass_kg
    slow_share = {"cycle": 0.12, "row": 0.08, "treadmill": 0.05}[mode]
    lung_supply = (barometric_pressure_mmhg - WATER_VAPOUR_37_C_MMHG) * FIO2
    standing_air = 0.040 * mass_kg
    heart_rate_start = person.heart_rate_rest + (6.0 if mode == "cycle" else 10.0)
    start_s = plan.rest_s + plan.warm_up_s
    rows: list[tuple[float, ...]] = []
    phases: list[Phase] = []
    stages: list[int] = []
    uptake = rest_cost
    slow = lagged = excess = extra = spent = 0.0
    stored = rest_cost
    output = person.quotient_low * rest_cost
    ventilation = standing_air + person.ventilation_slope * output / 1000.0
    beat = heart_rate_start
    if after is not None:
        stored = float(after.vo2[-1])
        uptake, output, ventilation = stored, float(after.vco2[-1]), float(after.ve[-1])
        beat = float(after.heart_rate[-1])
    end_s: float | None = None
    at_end = (uptake, beat, 0.0, 0.0)
    second = 0
    while end_s is None or second < end_s + plan.recovery_s:
        now = float(second)
        into = now - start_s
        if now < plan.rest_s:
            phase, load, stage = "rest", Load(), -1
        elif into < 0.0:
            phase, load, stage = "warm_up", plan.warm_up, 0
        elif end_s is None:
            phase, load = "exercise", plan.load_at(into)
            stage = -1 if plan.stage_s is None else 1 + int(into // plan.stage_s)
        else:
            phase, load, stage = "recovery", plan.cool_down, -1
        cost = rest_cost if phase == "rest" else oxygen_cost_ml_min(person, mode, load, mass_kg)
        slow += (slow_share * max(0.0, cost - vt1) - slow) / 150.0
        if phase == "recovery":
            since = now - (end_s or 0.0)
            debt = 0.22 * max(0.0, at_end[0] - cost) * math.exp(-since / 420.0)
            uptake += (cost + debt - uptake) / (1.15 * person.tau_s)
            seen = uptake
            excess = at_end[2] * 1.1 * math.exp(-since / 240.0)
            extra = at_end[3] * math.exp(-since / 70.0)
            floor = person.heart_rate_rest + person.recovery_share * (at_end[1] - person.heart_rate_rest)
            floor -= 0.018 * min(since, 300.0) * (person.heart_rate_rest / 60.0)
            beat = floor + (at_end[1] - floor) * math.exp(-since / person.recovery_tau_s)
        else:
            uptake += (cost + slow - uptake) / person.tau_s
            seen = _soft_ceiling(uptake, ceiling)
            excess = max(0.0, uptake - vt1)
            extra = person.ventilation_extra * max(0.0, uptake - vt2) / 1000.0
            share = (0.75 * seen + 0.25 * min(uptake, 1.05 * ceiling) - rest_cost) / (ceiling - rest_cost)
            target = heart_rate_start + (person.heart_rate_max - heart_rate_start) * min(share, 1.0)
            beat += (target - beat) / 9.0
        below = float(np.clip((seen - rest_cost) / (vt1 - rest_cost), 0.0, 1.0))
        above = float(np.clip((seen - vt1) / (ceiling - vt1), 0.0, 1.0))
        quotient = person.quotient_low + (person.quotient_vt1 - person.quotient_low) * below + 0.05 * above
        # A sixth of the CO2 passes through the body's slow stores: the dip of RER at onset, the rise after the end.
        stored += (seen - stored) / 40.0
        output += (quotient * (0.83 * seen + 0.17 * stored) + person.excess_co2 * excess - output) / 2.5
        ventilation += (standing_air + person.ventilation_slope * output / 1000.0 + extra - ventilation) / 3.0
        depth = 0.3 + (person.tidal_volume_max_l - 0.3) * (
            1.0 - math.exp(-ventilation / (17.0 * person.tidal_volume_max_l))
        )
        dead_share = 0.16 + 0.19 * math.exp(-(ventilation - 8.0) / 18.0)
        arterial = 863.0 * output / 1000.0 / (ventilation * (1.0 - dead_share))
        end_tidal = arterial + min(3.5, max(-1.0, (ventilation - 10.0) * 0.12 - 1.0))
        ratio = output / seen
        alveolar_o2 = lung_supply - end_tidal * (FIO2 + (1.0 - FIO2) / max(ratio, 0.6))
        lagged += (max(0.0, seen / ceiling - 0.6) - lagged) / 40.0
        rows.append(
            (
                now + 1.0,
                load.work_rate_w,
                load.speed_km_h,
                load.grade_percent,
                cost + slow,
                seen,
                output,
                ventilation,
                depth,
                beat,
                alveolar_o2,
                end_tidal,
                97.8 - 4.5 * lagged,
            )
        )
        phases.append(phase)
        stages.append(stage)
        second += 1
        if phase == "exercise":
            spent += max(0.0, cost + slow - vt2) / 60.0
            done = spent >= capacity if stop_s is None else into + 1.0 >= stop_s
            due = (into + 1.0) % round_to_s == 0.0
            if (done and due) or into + 1.0 >= plan.limit_s:
                end_s = now + 1.0
                at_end = (seen, beat, excess, extra)
                uptake = seen
    table = np.array(rows, dtype=np.float64).T
    return Trace(
        time_s=table[0],
        phase=tuple(phases),
        stage=np.array(stages, dtype=np.int64),
        work_rate_w=table[1],
        speed_km_h=table[2],
        grade_percent=table[3],
        demand=table[4],
        vo2=table[5],
        vco2=table[6],
        ve=table[7],
        tidal_volume_l=table[8],
        heart_rate=table[9],
        peto2=table[10],
        petco2=table[11],
        spo2=table[12],
        ceiling=ceiling,
        exercise_start_s=start_s,
        exercise_end_s=float(end_s or 0.0),
    )


@dataclass(frozen=True, slots=True)
class Calibration:
    """How far the instruments are out on one day, as factors."""

    gas: float = 1.0
    carbon: float = 1.0
    flow: float = 1.0


def draw_calibration(rng: np.random.Generator) -> Calibration:
    """A day's calibration: gas out by 1.5 % (SD), CO2 by 0.8 % more, the flow sensor by 1.2 %."""
    gas = math.exp(rng.normal(0.0, 0.015))
    return Calibration(gas, gas * math.exp(rng.normal(0.0, 0.008)), math.exp(rng.normal(0.0, 0.012)))


def breathe(rng: np.random.Generator, trace: Trace, calibration: Calibration) -> Breaths:
    """Break a trace into breaths with their scatter.

    Breath length and depth vary (by 20 % at rest, by about 8 and 5 % in exercise), and gas volumes follow the
    depth in part; on top a slow wander of 1 % (time constant 25 s), an error of the sensors and, once in some
    hundred breaths, a swallow or a cough.
    """
    total = float(trace.time_s[-1])
    gas, carbon, flow = calibration.gas, calibration.carbon, calibration.flow
    slow = 0.0
    now = float(rng.uniform(0.3, 2.5))
    rows: list[tuple[float, ...]] = []
    while True:
        at = min(int(now), len(trace.time_s) - 1)
        rate = trace.ve[at] / trace.tidal_volume_l[at]
        calm = math.exp(-trace.ve[at] / 18.0)
        usual = 60.0 / rate
        length = usual * math.exp(rng.normal(0.0, 0.075 + 0.16 * calm))
        if now + length > total:
            break
        depth = (
            trace.tidal_volume_l[at]
            * (length / usual) ** 0.65
            * math.exp(rng.normal(0.0, 0.045 + 0.10 * calm))
        )
        if rng.random() < 0.004:
            depth *= float(rng.choice([0.55, 1.5]))
        middle = min(int(now + 0.5 * length), len(trace.time_s) - 1)
        slow += -slow * length / 25.0 + rng.normal(0.0, 0.01 * math.sqrt(2.0 * length / 25.0))
        ventilation = 60.0 * depth / length * flow
        swing = depth * 60.0 / length / trace.ve[at] - 1.0
        wander = 1.0 + 0.55 * swing + slow
        vo2 = trace.vo2[middle] * gas * (wander + rng.normal(0.0, 0.018)) + rng.normal(0.0, 22.0)
        vco2 = trace.vco2[middle] * carbon * (wander + rng.normal(0.0, 0.012)) + rng.normal(0.0, 14.0)
        end_tidal = trace.petco2[middle] * (1.0 - 0.05 * swing) + rng.normal(0.0, 0.5)
        now += length
        rows.append(
            (
                now,
                length,
                max(vo2, 60.0),
                max(vco2, 40.0),
                ventilation,
                depth * flow,
                trace.peto2[middle] + 5.0 * swing + rng.normal(0.0, 0.7),
                end_tidal,
            )
        )
    table = np.array(rows, dtype=np.float64).T
    return Breaths(*table)


def beats(rng: np.random.Generator, trace: Trace) -> Floats:
    """Heart rate second by second with its scatter (respiratory and slow, less at high rates)."""
    calm = np.clip((190.0 - trace.heart_rate) / 110.0, 0.15, 1.0)
    noise = np.empty_like(trace.heart_rate)
    state = 0.0
    for index, draw in enumerate(rng.normal(0.0, 1.0, noise.size)):
        state = 0.9 * state + 0.436 * draw
        noise[index] = state
    return trace.heart_rate + noise * 3.2 * calm


def lactate_mmol_l(person: Person, demand_fraction: float, baseline: float) -> float:
    """Blood lactate at the end of a stage: a baseline and an exponential rise, 2.8 above it at the second threshold.

    `demand_fraction` is the oxygen cost of the load over the ceiling.
    """
    return baseline + 2.8 * math.exp(6.2 * (min(demand_fraction, 1.10) - person.vt2_fraction))


def exertion_6_20(demand_fraction: float) -> float:
    """Rating of perceived exertion (6-20 scale) at a share of the ceiling."""
    return 6.0 + 12.6 * min(demand_fraction, 1.05) ** 1.6
