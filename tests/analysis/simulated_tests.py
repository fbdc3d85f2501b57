"""Graded exercise tests simulated from first principles, for measuring how often a rule is right.

Nothing here is measured on anybody. The load sets an oxygen demand; uptake follows the demand with a delay and a time
constant (their sum is the mean response time) and cannot pass a ceiling, where there is one. Breaths carry noise that
is mostly independent from breath to breath with an SD that does not depend on the metabolic rate (Lamarra et al., J Appl
Physiol 1987), and a slower wander. The size of both was set so that adjacent 30-s means differ by chance with an SD of
about 50 mL/min, as in real breath-by-breath tests. Gain 10 mL/min/W and a mean response time of 30 to 50 s are common
values (from memory).
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from service.analysis.series import PHASES, Person, Series, StageNote, TestInput
from service.methods.metabolic_equations import acsm_running

Floats = NDArray[np.float64]

REST_S = 60.0
WARM_UP_S = 180.0
RECOVERY_S = 180.0


@dataclass(frozen=True)
class Protocol:
    """How the load rises.

    `step` watts (cycle) or km/h (treadmill) every `stage_s` seconds; with `stage_s` None the load is a ramp of `step` per
    minute.
    """

    name: str
    mode: Literal["cycle", "treadmill"]
    step: float
    stage_s: float | None
    first: float
    warm_up: float
    grade_percent: float = 1.0

    @property
    def shape(self) -> Literal["step", "ramp"]:
        return "ramp" if self.stage_s is None or self.stage_s < 60 else "step"

    def load(self, since_onset_s: Floats) -> Floats:
        """Load at times since the onset of exercise."""
        if self.stage_s is None:
            return self.first + self.step * since_onset_s / 60.0
        return self.first + self.step * np.floor(since_onset_s / self.stage_s)

    def demand(self, load: Floats, mass_kg: float, gain: float) -> Floats:
        """Oxygen demand of a load in the steady state, mL/min."""
        if self.mode == "cycle":
            return 3.5 * mass_kg + 250.0 + gain * load
        return gain / 10.0 * mass_kg * acsm_running(load, np.full_like(load, self.grade_percent))


RAMP_15 = Protocol("cycle ramp 15 W/min", "cycle", 15.0, None, 20.0, 20.0)
RAMP_25 = Protocol("cycle ramp 25 W/min", "cycle", 25.0, None, 20.0, 20.0)
STEP_20 = Protocol("cycle steps 20 W / 2 min", "cycle", 20.0, 120.0, 70.0, 50.0)
STEP_25 = Protocol("cycle steps 25 W / 3 min", "cycle", 25.0, 180.0, 75.0, 50.0)
RUN_RAMP = Protocol("treadmill 0.5 km/h / 30 s", "treadmill", 0.5, 30.0, 9.0, 9.0)
RUN_STEP = Protocol("treadmill 1 km/h / 3 min", "treadmill", 1.0, 180.0, 9.0, 9.0)


@dataclass(frozen=True)
class Body:
    """Who is simulated."""

    mass_kg: float = 75.0
    gain: float = 10.0
    delay_s: float = 12.0
    time_constant_s: float = 28.0
    breath_sd_ml_min: float = 140.0
    wander_sd_ml_min: float = 22.0
    wander_s: float = 15.0
    heart_rate_rest_bpm: float = 72.0
    heart_rate_max_bpm: float = 186.0
    rer_max: float = 1.14
    age_years: float = 32.0


def random_body(random: np.random.Generator) -> Body:
    """One of many: kinetics, economy and noise differ between people."""
    return replace(
        Body(),
        mass_kg=float(random.uniform(60, 90)),
        gain=float(random.normal(10.0, 0.5)),
        delay_s=float(random.uniform(8, 16)),
        time_constant_s=float(random.uniform(22, 34)),
        breath_sd_ml_min=float(random.uniform(110, 170)),
        wander_sd_ml_min=float(random.uniform(15, 30)),
    )


def simulate(
    protocol: Protocol,
    seed: int,
    *,
    rows: Literal["breaths"] | float = "breaths",
    exercise_s: float = 600.0,
    ceiling_demanded_s: float = 0.0,
    ceiling_part: float = 1.0,
    body: Body | None = None,
    with_phases: bool = True,
    with_marks: bool = True,
) -> TestInput:
    """One test to exhaustion.

    Parameters
    ----------
    protocol, seed, body
        A random body where none is given.
    rows : "breaths" or float
        Breath by breath, or means of so many seconds.
    exercise_s : float
        Length of exercise.
    ceiling_demanded_s : float
        For how long before the end the load demanded at least the ceiling; 0 is a test with no ceiling.
    ceiling_part : float
        Steps only: where between the demands of two stages the ceiling lies, 0 to 1.
    """
    random = np.random.default_rng(seed)
    body = body or random_body(random)
    second, load, demand = _load_and_demand(protocol, body, exercise_s)
    onset, end = REST_S + WARM_UP_S, REST_S + WARM_UP_S + exercise_s
    ceiling = np.inf
    if ceiling_demanded_s > 0:
        reached = np.array([exercise_s - ceiling_demanded_s])
        ceiling = float(protocol.demand(protocol.load(reached), body.mass_kg, body.gain)[0])
        if protocol.stage_s is not None:
            before = protocol.load(reached - 1.0)
            low = float(protocol.demand(before, body.mass_kg, body.gain)[0])
            ceiling = low + ceiling_part * (ceiling - low)
    uptake = np.minimum(_follow(demand, body), ceiling)
    other = _other_channels(second, uptake, onset, end, body)
    return _record(
        protocol, body, random, second, load, uptake, other, rows, onset, end, with_phases, with_marks
    )


def _load_and_demand(protocol: Protocol, body: Body, exercise_s: float) -> tuple[Floats, Floats, Floats]:
    onset, end = REST_S + WARM_UP_S, REST_S + WARM_UP_S + exercise_s
    second = np.arange(0.0, end + RECOVERY_S)
    since = second - onset
    load = np.zeros(second.shape)
    warm = (second >= REST_S) & (second < onset)
    working = (second >= onset) & (second < end)
    load[warm] = protocol.warm_up
    load[working] = protocol.load(since[working])
    demand = np.full(second.shape, 4.0 * body.mass_kg)
    moving = warm | working
    demand[moving] = protocol.demand(load[moving], body.mass_kg, body.gain)
    return second, load, demand


def _follow(demand: Floats, body: Body) -> Floats:
    """First-order response with a delay."""
    delay = round(body.delay_s)
    late = np.concatenate((np.full(delay, demand[0]), demand[: demand.size - delay]))
    keep = np.exp(-1.0 / body.time_constant_s)
    uptake = np.empty(late.shape)
    value = late[0]
    for place, target in enumerate(late):
        value = target + (value - target) * keep
        uptake[place] = value
    return uptake


def _other_channels(
    second: Floats, uptake: Floats, onset: float, end: float, body: Body
) -> dict[str, Floats]:
    exercising = (second >= onset) & (second < end)
    top = float(uptake[exercising].max())
    part = np.clip(uptake / top, 0.0, 1.0)
    # Carbon dioxide: 0.86 of uptake up to the threshold, then more, so that the ratio ends at the body's maximum.
    above = np.clip((part - 0.55) / 0.45, 0.0, 1.0)
    ratio = 0.86 + (body.rer_max - 0.86) * above**1.3
    after = np.clip((second - end) / 60.0, 0.0, None)
    ratio = np.where(second >= end, body.rer_max + 0.18 * (1 - np.exp(-after)), ratio)
    carbon = ratio * uptake
    ventilation = 4.0 + 0.0245 * carbon * (1.0 + 0.25 * np.clip((part - 0.8) / 0.2, 0, 1))
    beats = body.heart_rate_rest_bpm + (body.heart_rate_max_bpm - body.heart_rate_rest_bpm) * part**0.9
    at_end = float(beats[exercising][-1])
    fall = (
        body.heart_rate_rest_bpm
        + 20
        + (at_end - body.heart_rate_rest_bpm - 20) * np.exp(-(second - end) / 80.0)
    )
    beats = np.where(second >= end, np.minimum(fall, at_end), beats)
    return {
        "ratio": ratio,
        "ve_l_min": ventilation,
        "heart_rate_bpm": beats,
        "respiratory_rate_per_min": 15.0 + 30.0 * part**2,
    }


def _record(
    protocol: Protocol,
    body: Body,
    random: np.random.Generator,
    second: Floats,
    load: Floats,
    uptake: Floats,
    other: dict[str, Floats],
    rows: Literal["breaths"] | float,
    onset: float,
    end: float,
    with_phases: bool,
    with_marks: bool,
) -> TestInput:
    starts, ends = _breaths(random, second, other["respiratory_rate_per_min"])
    noise = random.normal(0.0, body.breath_sd_ml_min, ends.size) + _wander(random, ends, body)
    vo2 = np.maximum(means_of_seconds(second, uptake, starts, ends) + noise, 60.0)
    ratio = means_of_seconds(second, other["ratio"], starts, ends)
    breath = {
        "vo2_ml_min": vo2,
        "vco2_ml_min": np.maximum(vo2 * ratio + random.normal(0, 40.0, ends.size), 50.0),
        "ve_l_min": np.maximum(
            means_of_seconds(second, other["ve_l_min"], starts, ends)
            * (1 + random.normal(0, 0.07, ends.size)),
            3.0,
        ),
        "respiratory_rate_per_min": 60.0 / (ends - starts),
        "heart_rate_bpm": np.round(
            means_of_seconds(second, other["heart_rate_bpm"], starts, ends) + random.normal(0, 0.7, ends.size)
        ),
    }
    if rows == "breaths":
        row_start, row_end, channels = starts, ends, dict(breath)
        # An ergometer reports the load at the moment, not a mean.
        channels |= _loads_of(protocol, load[(0.5 * (starts + ends)).astype(int)])
    else:
        row_end = np.arange(rows, second[-1] + 1.0, rows)
        row_start = row_end - rows
        channels = {
            key: means_of_breaths(starts, ends, values, row_start, row_end) for key, values in breath.items()
        }
        channels["heart_rate_bpm"] = np.round(channels["heart_rate_bpm"])
        channels |= _loads_of(protocol, means_of_seconds(second, load, row_start, row_end))
    middle = 0.5 * (row_start + row_end)
    phase = np.select(
        [middle < REST_S, middle < onset, middle < end],
        [PHASES.index("rest"), PHASES.index("warm_up"), PHASES.index("exercise")],
        PHASES.index("recovery"),
    ).astype(np.int8)
    n = row_end.size
    series = Series(
        end_s=row_end,
        duration_s=row_end - row_start,
        channels=channels,
        phase=phase if with_phases else np.full(n, -1, dtype=np.int8),
        stage=np.full(n, -1, dtype=np.int64),
        excluded=np.zeros(n, dtype=np.bool_),
    )
    return TestInput(
        series=series,
        mode=protocol.mode,
        person=Person(
            sex="female",
            age_years=body.age_years,
            age_low_years=body.age_years,
            age_high_years=body.age_years,
            age_basis="given",
            body_mass_kg=body.mass_kg,
            body_mass_source="measured",
        ),
        notes=(StageNote(None, None, end, rpe=19.0, rpe_scale="6-20"),),
        exercise_start_s=onset if with_marks else None,
        exercise_end_s=end if with_marks else None,
        stop_reason="exhaustion",
    )


def _loads_of(protocol: Protocol, load: Floats) -> dict[str, Floats]:
    if protocol.mode == "cycle":
        return {"work_rate_w": np.round(load, 1)}
    return {"speed_km_h": np.round(load, 2), "grade_percent": np.full(load.shape, protocol.grade_percent)}


def _breaths(random: np.random.Generator, second: Floats, rate: Floats) -> tuple[Floats, Floats]:
    ends: list[float] = []
    time, last = 0.0, float(second[-1])
    jitter = random.normal(1.0, 0.12, 2000)
    while True:
        length = 60.0 / float(rate[int(time)]) * float(np.clip(jitter[len(ends)], 0.6, 1.5))
        if time + length > last:
            break
        time += length
        ends.append(time)
    end_s = np.array(ends)
    return np.concatenate(([0.0], end_s[:-1])), end_s


def _wander(random: np.random.Generator, ends: Floats, body: Body) -> Floats:
    """A slow disturbance that forgets itself with the time constant `wander_s`."""
    keep = np.exp(-np.diff(ends, prepend=ends[0] - body.wander_s) / body.wander_s)
    pushes = random.normal(0.0, body.wander_sd_ml_min, ends.size)
    values = np.empty(ends.size)
    value = 0.0
    for place, held in enumerate(keep):
        value = held * value + np.sqrt(1 - held**2) * pushes[place]
        values[place] = value
    return values


def means_of_seconds(second: Floats, values: Floats, starts: Floats, ends: Floats) -> Floats:
    """Means over rows of a channel that is constant within each second."""
    edges = np.append(second, second[-1] + 1.0)
    running = np.append(0.0, np.cumsum(values))
    return (np.interp(ends, edges, running) - np.interp(starts, edges, running)) / (ends - starts)


def means_of_breaths(
    starts: Floats, ends: Floats, values: Floats, row_start: Floats, row_end: Floats
) -> Floats:
    """Time-weighted means of breaths over rows."""
    edges = np.append(starts[0], ends)
    running = np.append(0.0, np.cumsum(values * (ends - starts)))
    covered = np.clip(row_end, None, ends[-1]) - np.clip(row_start, None, ends[-1])
    total = np.interp(row_end, edges, running) - np.interp(row_start, edges, running)
    return np.divide(total, covered, out=np.full(row_end.shape, np.nan), where=covered > 0)
