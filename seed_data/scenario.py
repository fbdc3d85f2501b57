"""The invented scenario: who was tested when, on what, in which layout, and what went wrong.

A fitness centre with ten clients over two years, a rowing squad of six with a season, and a two-arm study with
four rounds. Nobody and no place in it exists.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from physiology import Load, Mode, Plan, Sex

Fault = Literal["leak", "heart_rate_drop_out", "carbon_dioxide_lost"]
Stop = Literal[
    "exhaustion", "legs", "breath", "target_reached", "tester", "subject_request", "equipment", "symptom"
]


@dataclass(frozen=True, slots=True)
class Bout:
    """A verification bout after a main test.

    `share` is its work rate over the peak work rate of the main test, `length_s` how long it was held,
    `same_file` whether it stands in the main test's file.
    """

    share: float
    length_s: float
    same_file: bool


@dataclass(frozen=True, slots=True)
class Visit:
    """One visit with one main test.

    Attributes
    ----------
    date : str
        ISO date.
    mass_kg : float
    form : float
        VO2max on the day as a multiple of the person's lasting one (training, detraining, age).
    protocol, layout : str
        Keys of `PLANS` and of the writers.
    stop : str
        Recorded reason for stopping.
    stop_share : float, optional
        Share of the full test after which it was stopped, for the reasons that end a test early.
    effort : float
        Multiplies the capacity to go on.
    """

    date: str
    mass_kg: float
    form: float
    protocol: str
    layout: str
    stop: Stop = "exhaustion"
    stop_note: str | None = None
    stop_share: float | None = None
    effort: float = 1.0
    fault: Fault | None = None
    bout: Bout | None = None
    round: str | None = None
    measurements: Mapping[str, float] = field(default_factory=dict)
    notes: str | None = None


@dataclass(frozen=True, slots=True)
class Subject:
    """One invented subject.

    `simulated_as` is the sex the physiology uses where the record keeps none; `start_w` the load of the warm-up.
    """

    code: str
    group: Literal["centre", "squad", "study"]
    sex: Sex | None
    birth: str
    height_cm: float
    fitness: float
    visits: tuple[Visit, ...]
    given_name: str | None = None
    family_name: str | None = None
    trained: bool = False
    heart_rate_factor: float = 1.0
    medication: Mapping[str, Any] | None = None
    resting_systolic_mmhg: float = 122.0
    start_w: float = 50.0
    step_w: float = 20.0
    simulated_as: Sex = "female"
    arm: str | None = None
    notes: str | None = None

    @property
    def birth_year_only(self) -> bool:
        """Whether the record keeps the birth year alone."""
        return len(self.birth) == 4

    def age_on(self, date: str) -> float:
        """Decimal age on a date, at mid-year where only the year is kept."""
        born = np.datetime64(f"{self.birth}-07-01" if self.birth_year_only else self.birth)
        return float((np.datetime64(date) - born).astype(int)) / 365.25


#: Mode and shape of each protocol. Ids without a prefix are those of the catalogue of protocols.
PROTOCOLS: Mapping[str, tuple[Mode, str]] = {
    "bruce": ("treadmill", "step"),
    "modified_bruce": ("treadmill", "step"),
    "centre_treadmill_run_ramp": ("treadmill", "ramp"),
    "cycle_step_untrained": ("cycle", "step"),
    "cycle_step_trained": ("cycle", "step"),
    "centre_cycle_step_15_w_2_min": ("cycle", "step"),
    "cycle_ramp_20": ("cycle", "ramp"),
    "squad_row_step_45_w_3_min": ("row", "step"),
    "squad_row_step_30_w_3_min": ("row", "step"),
    "squad_row_ramp_25_w_min": ("row", "ramp"),
    "squad_row_ramp_15_w_min": ("row", "ramp"),
}

#: Bruce stages: speed in mph and grade in per cent, three minutes each; the modified form puts two before them.
_BRUCE = ((1.7, 10.0), (2.5, 12.0), (3.4, 14.0), (4.2, 16.0), (5.0, 18.0), (5.5, 20.0), (6.0, 22.0))
_MODIFIED_BRUCE = ((1.7, 0.0), (1.7, 5.0), *_BRUCE)
KM_PER_MILE = 1.609344


def plan(protocol: str, subject: Subject) -> Plan:
    """The timetable of a protocol for one subject."""
    start, step = subject.start_w, subject.step_w
    if protocol in {"bruce", "modified_bruce"}:
        stages = _BRUCE if protocol == "bruce" else _MODIFIED_BRUCE

        def walk(into: float) -> Load:
            speed, grade = stages[min(int(into // 180.0), len(stages) - 1)]
            return Load(speed_km_h=round(speed * KM_PER_MILE, 1), grade_percent=grade)

        cool = Load(speed_km_h=2.4, grade_percent=2.5)
        return Plan("treadmill", 120.0, 0.0, Load(), walk, 180.0, cool, 240.0)
    if protocol == "centre_treadmill_run_ramp":

        def run(into: float) -> Load:
            return Load(speed_km_h=round(9.0 + 0.1 * (into // 10.0), 1), grade_percent=1.0)

        warm, cool = Load(speed_km_h=7.5, grade_percent=1.0), Load(speed_km_h=4.5, grade_percent=0.0)
        return Plan("treadmill", 60.0, 240.0, warm, run, None, cool, 240.0)
    if protocol in {"cycle_step_untrained", "cycle_step_trained", "centre_cycle_step_15_w_2_min"}:

        def pedal(into: float) -> Load:
            return Load(work_rate_w=start + step * (1.0 + into // 120.0))

        return Plan("cycle", 60.0, 180.0, Load(work_rate_w=start), pedal, 120.0, Load(), 240.0)
    if protocol == "cycle_ramp_20":

        def climb(into: float) -> Load:
            return Load(work_rate_w=float(round(start + into / 3.0)))

        return Plan("cycle", 180.0, 180.0, Load(work_rate_w=start), climb, None, Load(), 300.0)
    if protocol in {"squad_row_step_45_w_3_min", "squad_row_step_30_w_3_min"}:

        def pull(into: float) -> Load:
            return Load(work_rate_w=start + step * (1.0 + into // 180.0))

        return Plan("row", 60.0, 240.0, Load(work_rate_w=start), pull, 180.0, Load(work_rate_w=40.0), 300.0)
    rate = 25.0 if protocol == "squad_row_ramp_25_w_min" else 15.0

    def pull_harder(into: float) -> Load:
        return Load(work_rate_w=float(round(start + into * rate / 60.0)))

    return Plan("row", 60.0, 240.0, Load(work_rate_w=start), pull_harder, None, Load(work_rate_w=40.0), 240.0)


def _step(date: str, mass_kg: float, form: float, layout: str, **more: Any) -> Visit:
    return Visit(date, mass_kg, form, "cycle_step_untrained", layout, **more)


def _steeper(date: str, mass_kg: float, form: float, layout: str, **more: Any) -> Visit:
    return Visit(date, mass_kg, form, "cycle_step_trained", layout, **more)


def _gentler(date: str, mass_kg: float, form: float, layout: str, **more: Any) -> Visit:
    return Visit(date, mass_kg, form, "centre_cycle_step_15_w_2_min", layout, **more)


_PRINTED = "semicolon_units_line"
_PLAIN = "plain_comma"
_BRACKETS = "treadmill_brackets"

CENTRE: tuple[Subject, ...] = (
    Subject(
        "FC-01", "centre", "female", "1990-05-14", 168, 1.06,
        (
            _step(
                "2024-02-20", 71.2, 1.00, _PRINTED,
                measurements={"grip_strength_kg": 31.0, "waist_cm": 81.5, "push_ups": 14},
            ),
            _step("2024-05-28", 70.1, 1.05, _PRINTED),
            _step(
                "2024-11-12", 68.9, 1.09, _PRINTED,
                stop="legs", measurements={"grip_strength_kg": 32.5, "waist_cm": 78.0, "push_ups": 21},
            ),
            _step("2025-05-20", 68.4, 1.13, _PRINTED, stop="legs", effort=1.7),
            _step(
                "2026-01-20", 69.0, 1.12, _PRINTED,
                measurements={"grip_strength_kg": 33.0, "waist_cm": 77.5, "push_ups": 24},
            ),
        ),
        given_name="Odalin", family_name="Stufenmark", start_w=60.0,
    ),
    Subject(
        "FC-02", "centre", "male", "1979-09-03", 182, 0.98,
        (
            _steeper(
                "2024-03-05", 94.0, 0.94, _PLAIN,
                measurements={"waist_cm": 101.0, "body_fat_percent": 26.4},
            ),
            _steeper("2024-06-11", 91.5, 1.02, _PLAIN, effort=1.6),
            _steeper(
                "2024-10-10", 89.8, 1.08, _PLAIN,
                stop="breath", measurements={"waist_cm": 94.5, "body_fat_percent": 22.8},
            ),
            _steeper(
                "2025-02-11", 90.3, 1.08, _PLAIN,
                fault="leak", notes="The mask was found to sit loosely when it was taken off.",
            ),
            _steeper("2025-06-17", 91.0, 0.98, _PLAIN, stop="legs", notes="No training for ten weeks."),
            _steeper(
                "2025-12-09", 89.5, 1.06, _PLAIN,
                measurements={"waist_cm": 95.0, "body_fat_percent": 23.1},
            ),
        ),
        given_name="Perrik", family_name="Wattmere", start_w=100.0,
    ),
    Subject(
        "FC-03", "centre", "male", "1966-11-22", 176, 0.95,
        (
            Visit("2024-04-16", 84.3, 0.97, "modified_bruce", _BRACKETS, stop="legs"),
            Visit(
                "2024-10-22", 83.1, 1.02, "modified_bruce", _BRACKETS,
                stop="target_reached", stop_share=0.80, stop_note="Stopped as agreed at RPE 13.",
            ),
            Visit("2025-04-15", 82.0, 1.05, "modified_bruce", _BRACKETS, stop="breath"),
            Visit("2025-11-18", 82.4, 1.05, "modified_bruce", _BRACKETS),
        ),
        given_name="Jorvan", family_name="Pulsewick", heart_rate_factor=0.78,
        medication={"name": "beta blocker", "dose": "once a day", "limits_heart_rate": True},
        resting_systolic_mmhg=134.0,
    ),
    Subject(
        "FC-04", "centre", "female", "1961-07-30", 161, 1.02,
        (
            Visit(
                "2024-03-19", 66.8, 0.98, "centre_cycle_step_15_w_2_min", "workbook",
                stop="legs",
                measurements={"grip_strength_kg": 24.5, "chair_stands_30s": 15, "single_leg_balance_s": 18.0},
            ),
            Visit("2024-09-24", 66.0, 1.04, "centre_cycle_step_15_w_2_min", "workbook", stop="legs"),
            Visit(
                "2025-03-25", 65.4, 1.05, "centre_cycle_step_15_w_2_min", "workbook",
                stop="tester", stop_share=0.74,
                stop_note="Systolic pressure above 250 mmHg, the limit of the house.",
            ),
            Visit(
                "2025-10-14", 65.1, 1.06, "centre_cycle_step_15_w_2_min", "workbook",
                measurements={"grip_strength_kg": 25.0, "chair_stands_30s": 18, "single_leg_balance_s": 24.0},
            ),
        ),
        start_w=15.0, step_w=15.0, resting_systolic_mmhg=144.0,
    ),
    Subject(
        "FC-05", "centre", "male", "1953-01-17", 171, 1.05,
        (
            Visit(
                "2024-05-07", 78.9, 1.00, "modified_bruce", _BRACKETS,
                measurements={"grip_strength_kg": 35.5, "chair_stands_30s": 14},
            ),
            Visit("2025-01-14", 78.2, 0.99, "modified_bruce", _BRACKETS, stop="breath"),
            Visit(
                "2025-09-30", 77.6, 0.97, "modified_bruce", _BRACKETS,
                stop="legs", measurements={"grip_strength_kg": 34.0, "chair_stands_30s": 13},
            ),
        ),
        given_name="Hollin", family_name="Gradebarrow", resting_systolic_mmhg=136.0,
    ),
    Subject(
        "FC-06", "centre", "female", "2000-02-08", 170, 1.10,
        (
            Visit("2024-02-27", 62.0, 1.00, "bruce", _BRACKETS),
            Visit("2024-07-09", 61.5, 1.04, "bruce", _BRACKETS),
            Visit("2024-07-16", 61.6, 1.04, "cycle_step_untrained", _PRINTED, stop="legs"),
            Visit(
                "2025-02-25", 61.0, 1.08, "bruce", _BRACKETS,
                fault="heart_rate_drop_out", notes="The strap of the heart-rate sensor slipped.",
            ),
            Visit("2025-10-07", 61.3, 1.10, "bruce", _BRACKETS),
        ),
        given_name="Sunnive", family_name="Breathlow", start_w=60.0,
    ),
    Subject(
        "FC-07", "centre", "male", "1995-10-11", 184, 1.22,
        (
            Visit("2024-06-04", 76.5, 1.00, "centre_treadmill_run_ramp", _BRACKETS),
            Visit("2024-12-03", 75.8, 1.05, "centre_treadmill_run_ramp", "breath_by_breath"),
            Visit("2025-06-03", 75.0, 1.08, "centre_treadmill_run_ramp", _BRACKETS),
            Visit("2025-12-02", 75.4, 1.07, "centre_treadmill_run_ramp", "breath_by_breath"),
        ),
        given_name="Quillan", family_name="Rampstone", trained=True,
    ),
    Subject(
        "FC-08", "centre", "female", "1976", 165, 0.92,
        (
            _gentler(
                "2024-09-10", 74.6, 0.98, "workbook",
                stop="legs", measurements={"waist_cm": 88.0, "hip_cm": 105.0},
            ),
            _gentler("2025-03-11", 72.9, 1.04, "workbook"),
            _gentler("2025-09-09", 71.5, 1.08, "workbook", measurements={"waist_cm": 83.5, "hip_cm": 102.0}),
        ),
        start_w=15.0, step_w=15.0, notes="Only the year of birth is kept, as the client asked.",
    ),
    Subject(
        "FC-09", "centre", None, "1987-04-04", 173, 1.05,
        (
            _step("2024-10-15", 70.4, 1.00, _PRINTED, effort=1.6),
            _step("2025-04-22", 69.8, 1.05, _PRINTED, stop="breath"),
            _step("2025-11-04", 69.5, 1.06, _PRINTED),
        ),
        start_w=60.0, notes="The client did not wish a sex for reference tables to be recorded.",
    ),
    Subject(
        "FC-10", "centre", "male", "1971-12-01", 179, 0.90,
        (
            _steeper(
                "2024-04-09", 104.2, 0.97, _PLAIN,
                stop="legs", measurements={"waist_cm": 114.0, "sit_and_reach_cm": -4.0},
            ),
            _steeper("2024-08-20", 100.1, 1.00, _PLAIN, effort=1.6),
            _steeper(
                "2025-01-28", 96.3, 1.03, _PLAIN,
                measurements={"waist_cm": 106.5, "sit_and_reach_cm": 1.0},
            ),
            _steeper("2025-07-15", 93.0, 1.05, _PLAIN, stop="breath"),
            _steeper("2026-02-03", 91.2, 1.07, _PLAIN, measurements={"waist_cm": 99.0, "sit_and_reach_cm": 4.5}),
        ),
        given_name="Tamsel", family_name="Ergomeer", start_w=100.0, resting_systolic_mmhg=138.0,
    ),
)  # fmt: skip

#: Results that one client kept on paper from years before: date, mass, and quantity by quantity.
REPORTED: Mapping[str, tuple[tuple[str, float, Mapping[str, float]], ...]] = {
    "FC-10": (
        ("2016-05-10", 92.5, {"vo2_peak_ml_min": 3120, "heart_rate_max_bpm": 181, "work_rate_peak_w": 240}),
        ("2018-06-19", 97.0, {"vo2_peak_ml_min": 3010, "heart_rate_max_bpm": 179, "work_rate_peak_w": 230, "rer_max": 1.12}),
        ("2021-09-07", 101.8, {"vo2_peak_ml_min": 2790, "heart_rate_max_bpm": 178, "work_rate_peak_w": 210, "rer_max": 1.14}),
    ),
}  # fmt: skip


def _rower(number: int, sex: Sex, birth: str, height_cm: float, mass_kg: float, fitness: float) -> Subject:
    code = f"RS-{number:02d}"
    male = sex == "male"
    ramp = "squad_row_ramp_25_w_min" if male else "squad_row_ramp_15_w_min"
    steps = "squad_row_step_45_w_3_min" if male else "squad_row_step_30_w_3_min"
    timetable = (
        ("2024-10-07", 0.0, 0.955, steps),
        ("2025-01-13", 0.4, 0.985, steps),
        ("2025-03-31", -0.3, 1.010, ramp),
        ("2025-06-16", -1.1, 1.030, steps),
    )
    visits = []
    for index, (date, change_kg, form, protocol) in enumerate(timetable):
        day = str(np.datetime64(date) + (number - 1) // 3)
        breaths = protocol == ramp and number in {1, 2, 4, 5}
        visits.append(
            Visit(
                day,
                round(mass_kg + change_kg, 1),
                form,
                protocol,
                "breath_by_breath" if breaths else ("plain_comma" if protocol == ramp else "decimal_minutes"),
                stop="legs" if (number + index) % 3 == 0 else "exhaustion",
                fault="carbon_dioxide_lost" if (number, index) == (3, 1) else None,
                notes="The sample line was found wet after the test." if (number, index) == (3, 1) else None,
                round=str(index + 1),
            )
        )
    return Subject(
        code, "squad", sex, birth, height_cm, fitness, tuple(visits), trained=True,
        start_w=130.0 if male else 80.0, step_w=45.0 if male else 30.0, resting_systolic_mmhg=120.0,
    )  # fmt: skip


SQUAD: tuple[Subject, ...] = (
    _rower(1, "male", "2002-03-21", 193, 92.4, 1.29),
    _rower(2, "male", "2003-08-02", 189, 88.1, 1.27),
    _rower(3, "male", "2001-11-15", 195, 95.6, 1.24),
    _rower(4, "female", "2003-01-30", 180, 74.8, 1.42),
    _rower(5, "female", "2004-06-12", 177, 71.3, 1.38),
    _rower(6, "female", "2002-09-09", 182, 77.9, 1.36),
)

#: Code, sex, birth date, height, mass and fitness of the study's subjects; odd numbers train, even ones do not.
_STUDY: tuple[tuple[Sex, str, float, float, float], ...] = (
    ("male", "1992-02-11", 181, 82.0, 0.94),
    ("female", "1989-10-05", 167, 65.2, 1.10),
    ("female", "1996-07-19", 171, 68.4, 1.02),
    ("male", "1984-12-24", 178, 86.5, 0.90),
    ("male", "1999-04-02", 185, 79.3, 1.03),
    ("male", "1990-08-30", 176, 77.7, 0.97),
    ("female", "1981-03-08", 163, 61.9, 1.16),
    ("female", "1993-11-27", 170, 72.6, 0.93),
    ("male", "1979-06-16", 183, 91.4, 0.92),
    ("female", "1986-01-22", 165, 63.0, 1.14),
    ("female", "2000-09-13", 169, 60.8, 0.99),
    ("male", "1995-05-29", 180, 84.1, 0.88),
    ("male", "1987-07-07", 174, 75.5, 1.06),
    ("female", "1998-02-26", 173, 70.2, 0.95),
    ("female", "1983-10-18", 166, 67.3, 1.06),
    ("male", "1991-12-09", 187, 88.8, 1.00),
)
_ABSENT = {(4, 4), (7, 3), (10, 3), (10, 4), (13, 2), (15, 4)}
_BOUTS = {
    (2, 3): Bout(1.06, 150.0, same_file=True),
    (3, 2): Bout(1.06, 150.0, same_file=False),
    (6, 3): Bout(1.06, 150.0, same_file=False),
    (9, 2): Bout(1.10, 150.0, same_file=True),
    (12, 1): Bout(0.80, 120.0, same_file=True),
}
_EARLY: Mapping[tuple[int, int], tuple[Stop, float, str]] = {
    (14, 1): ("subject_request", 0.55, "The mouthpiece was uncomfortable."),
    (8, 2): ("equipment", 0.70, "The ergometer switched off."),
}


def _participant(number: int) -> Subject:
    sex, birth, height_cm, mass_kg, fitness = _STUDY[number - 1]
    training = number % 2 == 1
    rng = np.random.default_rng([number, 5])
    gains = (1.0, 1.0, 1.075, 1.12) if training else (1.0, 1.0, 1.0, 1.0)
    own = rng.normal(0.0, 0.02 if training else 0.01)
    start = np.datetime64("2025-01-13") + (number - 1) % 4 + 7 * ((number - 1) // 4)
    days = (0, int(rng.integers(6, 11)), int(rng.integers(60, 67)), int(rng.integers(116, 124)))
    masses = (
        0.0,
        rng.normal(0, 0.3),
        rng.normal(-0.5 if training else 0.1, 0.6),
        rng.normal(-1.0 if training else 0.3, 0.9),
    )
    reasons: tuple[Stop, ...] = ("exhaustion", "exhaustion", "legs", "breath")
    visits = []
    for index in range(4):
        key = (number, index + 1)
        if key in _ABSENT:
            continue
        stop, share, note = _EARLY.get(key, (reasons[int(rng.integers(0, 4))], None, None))
        if key in _BOUTS:
            stop = "exhaustion"
        # Round 2 of ST-09 is stopped, by his own choice, well before his ceiling: the bout then shows it.
        share = 0.80 if key == (9, 2) else share
        visits.append(
            Visit(
                str(np.busday_offset(start + days[index], 0, roll="forward")),
                round(float(mass_kg + masses[index]), 1),
                gains[index] + own * (gains[index] > 1.0),
                "cycle_ramp_20",
                "start_marks" if key not in {(1, 1), (16, 4)} else "breath_by_breath",
                stop=stop,
                stop_note=note,
                stop_share=share,
                fault={(5, 3): "heart_rate_drop_out", (11, 2): "carbon_dioxide_lost"}.get(key),
                bout=_BOUTS.get(key),
                round=str(index + 1),
            )
        )
    return Subject(
        f"ST-{number:02d}", "study", sex, birth, height_cm, fitness, tuple(visits), start_w=0.0,
        arm="training" if training else "control", resting_systolic_mmhg=120.0,
    )  # fmt: skip


STUDY: tuple[Subject, ...] = tuple(_participant(number) for number in range(1, 17))
SUBJECTS: tuple[Subject, ...] = (*CENTRE, *SQUAD, *STUDY)

CUSTOM_PROTOCOLS: tuple[Mapping[str, Any], ...] = (
    {
        "id": "centre_cycle_step_15_w_2_min",
        "name": "Cycle steps of 15 W every 2 min",
        "family": "cycle_step_15w_2min",
        "mode": "cycle",
        "shape": "step",
        "purpose": "maximal",
        "source": "Invented for the demonstration: the gentler form of steps of 20 W every 2 min.",
        "stages": [
            {"phase": "rest", "duration_s": 60},
            {"phase": "warm_up", "duration_s": 180, "work_rate_w": 15},
            *({"phase": "exercise", "duration_s": 120, "work_rate_w": 15 * n} for n in range(2, 13)),
            {"phase": "recovery", "duration_s": 240, "work_rate_w": 0},
        ],
    },
    {
        "id": "centre_treadmill_run_ramp",
        "name": "Running ramp at 1 % grade, 0.6 km/h a minute",
        "family": "treadmill_run_ramp",
        "mode": "treadmill",
        "shape": "ramp",
        "purpose": "maximal",
        "source": "Invented for the demonstration. The speed rises by 0.1 km/h every 10 s from 9 km/h.",
        "stages": [
            {"phase": "rest", "duration_s": 60},
            {"phase": "warm_up", "duration_s": 240, "speed_km_h": 7.5, "grade_percent": 1.0},
            *(
                {
                    "phase": "exercise",
                    "duration_s": 60,
                    "speed_km_h": round(9.0 + 0.6 * n, 1),
                    "grade_percent": 1.0,
                }
                for n in range(20)
            ),
            {"phase": "recovery", "duration_s": 240, "speed_km_h": 4.5, "grade_percent": 0.0},
        ],
    },
    *(
        {
            "id": f"squad_row_step_{step}_w_3_min",
            "name": f"Rowing ergometer steps of {step} W every 3 min",
            "family": "row_step_3min",
            "mode": "row",
            "shape": "step",
            "purpose": "maximal",
            "source": "Invented for the demonstration. The stop for the blood sample is left out.",
            "stages": [
                {"phase": "rest", "duration_s": 60},
                {"phase": "warm_up", "duration_s": 240, "work_rate_w": start},
                *(
                    {"phase": "exercise", "duration_s": 180, "work_rate_w": start + step * n}
                    for n in range(1, 10)
                ),
                {"phase": "recovery", "duration_s": 300, "work_rate_w": 40},
            ],
        }
        for step, start in ((45, 130), (30, 80))
    ),
    *(
        {
            "id": f"squad_row_ramp_{rate}_w_min",
            "name": f"Rowing ergometer ramp, {rate} W a minute",
            "family": "row_ramp",
            "mode": "row",
            "shape": "ramp",
            "purpose": "maximal",
            "source": "Invented for the demonstration.",
            "stages": [
                {"phase": "rest", "duration_s": 60},
                {"phase": "warm_up", "duration_s": 240, "work_rate_w": start},
                {"phase": "exercise", "duration_s": 1200, "work_rate_w": start, "ramp_w_per_min": rate},
                {"phase": "recovery", "duration_s": 240, "work_rate_w": 40},
            ],
        }
        for rate, start in ((25, 130), (15, 80))
    ),
)
