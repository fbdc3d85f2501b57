"""Write or check the demonstration data: ``python seed_data/generate.py [--check]``.

Everything is invented. Every subject and every test has its own random stream, made from one fixed seed and the
subject's or test's name, so a change to one test leaves the others as they are.
"""

import argparse
import json
import math
import sys
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
if str(HERE) not in sys.path:
    sys.path.insert(0, str(HERE))

from layouts import ENDINGS, WITH_PHASES, WRITERS, Heading, Rows, average, breath_rows  # noqa: E402  found above
from physiology import (  # noqa: E402  found above
    Breaths,
    Calibration,
    Floats,
    Load,
    Person,
    Plan,
    Trace,
    beats,
    breathe,
    draw_calibration,
    draw_person,
    exertion_6_20,
    lactate_mmol_l,
    on_the_day,
    simulate,
)
from scenario import (  # noqa: E402  found above
    CUSTOM_PROTOCOLS,
    PROTOCOLS,
    REPORTED,
    SUBJECTS,
    Subject,
    Visit,
    plan,
)

SEED = 20260
WINDOW_S = 15.0
NOTE = (
    "Invented demonstration data. No person, place or measurement in it is real; it is never a check of the "
    "calculations and never a reference for anybody's fitness. seed_data/README.md is its codebook."
)


def stream(*name: str) -> np.random.Generator:
    """The random stream that belongs to a name."""
    return np.random.default_rng([SEED, *(zlib.crc32(part.encode()) for part in name)])


@dataclass(frozen=True, slots=True)
class Recording:
    """One file's worth of simulated time: the noise-free trace and what the instruments made of it."""

    trace: Trace
    breaths: Breaths
    heart_rate: Floats
    cadence: Floats


def record(
    rng: np.random.Generator, person: Person, trace: Trace, calibration: Calibration, mode: str
) -> Recording:
    """Lay the scatter of breathing, heart rate and cadence over a trace."""
    breaths = breathe(rng, trace, calibration)
    heart_rate = beats(rng, trace)
    share = np.clip(trace.demand / trace.ceiling, 0.0, 1.1)
    steady = 16.0 + 18.0 * share if mode == "row" else np.full(share.size, person.cadence_per_min)
    moving = np.array([phase != "rest" for phase in trace.phase])
    cadence = np.where(moving, steady + rng.normal(0.0, 1.5, share.size), 0.0)
    return Recording(trace, breaths, heart_rate, cadence)


def joined(first: Recording, second: Recording) -> Recording:
    """Two recordings on one clock, the second right after the first."""
    shift = float(first.trace.time_s[-1])
    names = ("work_rate_w", "speed_km_h", "grade_percent", "demand", "vo2", "vco2", "ve", "tidal_volume_l")
    more = ("heart_rate", "peto2", "petco2", "spo2")
    signals: dict[str, Any] = {
        n: np.concatenate([getattr(first.trace, n), getattr(second.trace, n)]) for n in (*names, *more)
    }
    trace = replace(
        first.trace,
        time_s=np.concatenate([first.trace.time_s, second.trace.time_s + shift]),
        phase=first.trace.phase + second.trace.phase,
        stage=np.concatenate([first.trace.stage, second.trace.stage]),
        **signals,
    )
    channels = {
        n: np.concatenate([getattr(first.breaths, n), getattr(second.breaths, n)])
        for n in Breaths.__dataclass_fields__
        if n != "end_s"
    }
    ends = np.concatenate([first.breaths.end_s, second.breaths.end_s + shift])
    return Recording(
        trace,
        Breaths(end_s=ends, **channels),
        np.concatenate([first.heart_rate, second.heart_rate]),
        np.concatenate([first.cadence, second.cadence]),
    )


def leaking(recording: Recording) -> Recording:
    """From 3 min before the end of exercise on, 24 % of the air passes the mask by.

    Ventilation, depth, VO2 and VCO2 fall together; RER, end-tidal pressures and heart rate do not.
    """
    b, begin = recording.breaths, recording.trace.exercise_end_s - 180.0
    kept = np.where(b.end_s > begin, 0.76, 1.0)
    breaths = replace(
        b, vo2=b.vo2 * kept, vco2=b.vco2 * kept, ve=b.ve * kept, tidal_volume_l=b.tidal_volume_l * kept
    )
    return replace(recording, breaths=breaths)


def without_carbon_dioxide(recording: Recording) -> Recording:
    """From 2.5 min before the end of exercise on, the CO2 signal dies away to an eighth."""
    b, begin = recording.breaths, recording.trace.exercise_end_s - 150.0
    left = np.where(b.end_s > begin, np.maximum(0.125, np.exp(-(b.end_s - begin) / 18.0)), 1.0)
    breaths = replace(b, vco2=np.maximum(b.vco2 * left, 40.0), petco2=np.maximum(b.petco2 * left, 9.0))
    return replace(recording, breaths=breaths)


def heart_rate_dropped(rows: Rows, end_s: float, *, blank: bool) -> Rows:
    """The rows with the heart rate lost late in exercise.

    `blank` leaves the last two minutes of exercise empty; else zeros and a locked, far too low value appear.
    """
    heart_rate = rows.values["heart_rate_bpm"].copy()
    last = int(end_s // WINDOW_S) - 1
    if blank:
        heart_rate[last - 7 : last + 1] = np.nan
    else:
        heart_rate[last - 13 : last - 9] = 0.0
        heart_rate[last - 4 : last + 1] = 86.0
    return replace(rows, values={**rows.values, "heart_rate_bpm": heart_rate})


def as_rows(recording: Recording, layout: str, mode: str) -> Rows:
    """The rows of the file: breaths, or means of 15 s."""
    if layout == "breath_by_breath":
        return breath_rows(recording.trace, recording.breaths, recording.heart_rate)
    rows = average(recording.trace, recording.breaths, recording.heart_rate, recording.cadence, WINDOW_S)
    return replace(rows, cadence_name="Stroke rate" if mode == "row" else "Cadence")


def run(
    person: Person, timetable: Plan, mass_kg: float, visit: Visit, pressure_mmhg: float, round_to_s: float
) -> Trace:
    """Simulate the main test of a visit, cut short where the visit says so."""
    trace = simulate(
        person, timetable, mass_kg, round_to_s=round_to_s, barometric_pressure_mmhg=pressure_mmhg
    )
    if visit.stop_share is None:
        return trace
    length = (trace.exercise_end_s - trace.exercise_start_s) * visit.stop_share
    return simulate(
        person,
        timetable,
        mass_kg,
        stop_s=round(length / WINDOW_S) * WINDOW_S,
        round_to_s=round_to_s,
        barometric_pressure_mmhg=pressure_mmhg,
    )


def _pressures(rng: np.random.Generator, subject: Subject, mets: float, age_years: float) -> dict[str, int]:
    rise = (6.6 + 0.035 * (age_years - 40.0)) * max(0.0, mets - 1.0)
    systolic = subject.resting_systolic_mmhg + rise + rng.normal(0.0, 4.0)
    diastolic = 0.32 * subject.resting_systolic_mmhg + 37.0 + 0.4 * mets + rng.normal(0.0, 3.0)
    return {
        "systolic_mmhg": int(round(systolic / 2.0) * 2),
        "diastolic_mmhg": int(round(diastolic / 2.0) * 2),
    }


def stage_notes(
    rng: np.random.Generator, subject: Subject, visit: Visit, person: Person, recording: Recording
) -> list[dict[str, Any]]:
    """What a tester wrote down at the end of each stage, or at the end of a ramp, and in recovery."""
    trace, age = recording.trace, subject.age_on(visit.date)
    mode, shape = PROTOCOLS[visit.protocol]
    stage_s = 120.0 if mode == "cycle" else 180.0
    length = trace.exercise_end_s - trace.exercise_start_s
    ends = [stage_s * n for n in range(1, int(length // stage_s) + 1)] if shape == "step" else []
    if not ends or length > ends[-1]:
        ends.append(length)
    squad, cuffed = subject.group == "squad", subject.group == "centre" and age >= 45.0
    baseline = float(rng.normal(1.2, 0.15))
    scatter = rng.normal(0.0, 0.35)
    notes: list[dict[str, Any]] = []
    for number, into in enumerate(ends, start=1):
        at = int(trace.exercise_start_s + into) - 1
        share = float(trace.demand[at] / trace.ceiling)
        note: dict[str, Any] = {
            "stage": number if shape == "step" else None,
            "phase": "exercise",
            "time_s": float(at + 1),
        }
        if mode == "treadmill":
            note["speed_km_h"] = float(trace.speed_km_h[at])
            note["grade_percent"] = float(trace.grade_percent[at])
        else:
            note["work_rate_w"] = float(trace.work_rate_w[at])
        if visit.fault != "heart_rate_drop_out":
            note["heart_rate_bpm"] = round(float(recording.heart_rate[at - 4 : at + 1].mean()))
        spent = into == length and visit.stop_share is None
        rating = exertion_6_20(share) + scatter + rng.normal(0.0, 0.3)
        rating = max(rating, 18.0 + rng.normal(0.0, 0.7)) if spent else rating
        if squad:
            note["rpe"] = float(np.clip(round((rating - 6.0) / 1.35), 0, 10))
            note["rpe_scale"] = "0-10"
        else:
            note["rpe"] = float(np.clip(round(rating), 6, 20))
            note["rpe_scale"] = "6-20"
        if cuffed:
            note |= _pressures(rng, subject, float(trace.vo2[at]) / visit.mass_kg / 3.5, age)
        if squad and shape == "step":
            level = lactate_mmol_l(person, share, baseline) * math.exp(rng.normal(0.0, 0.06))
            note["lactate_mmol_l"] = round(level, 1)
        notes.append(note)
    if visit.stop == "tester":
        notes[-1] |= {"systolic_mmhg": 254, "diastolic_mmhg": 98}
    if visit.stop == "target_reached":
        notes[-1]["rpe"] = 13.0
    if squad:
        peak = lactate_mmol_l(person, float(trace.demand[ends_at(trace)] / trace.ceiling), baseline)
        notes += _recovery_lactates(rng, trace, peak)
    if cuffed:
        quiet = _pressures(rng, subject, 3.2, age)
        notes.append({"stage": None, "phase": "recovery", "time_s": trace.exercise_end_s + 180.0, **quiet})
    return notes


def _recovery_lactates(rng: np.random.Generator, trace: Trace, peak: float) -> list[dict[str, Any]]:
    notes = []
    for after_s, factor in ((60.0, 1.10), (180.0, 1.22), (300.0, 1.12)):
        if trace.exercise_end_s + after_s <= trace.time_s[-1]:
            value = round(min(peak * factor, 17.5) * math.exp(rng.normal(0.0, 0.04)), 1)
            at = trace.exercise_end_s + after_s
            notes.append({"stage": None, "phase": "recovery", "time_s": at, "lactate_mmol_l": value})
    return notes


def ends_at(trace: Trace) -> int:
    """Index of the last second of exercise."""
    return int(trace.exercise_end_s) - 1


def verification_plan(work_rate_w: float, mode: Any) -> Plan:
    """Four easy minutes, a constant load, two minutes of recovery."""
    easy = Load(work_rate_w=20.0)
    return Plan(mode, 0.0, 240.0, easy, lambda _: Load(work_rate_w=work_rate_w), None, easy, 120.0)


@dataclass(frozen=True, slots=True)
class Made:
    """One visit as it goes into the record, and the files of its tests by path."""

    entry: dict[str, Any]
    files: Mapping[str, bytes]


def _conditions(rng: np.random.Generator) -> dict[str, float]:
    return {
        "barometric_pressure_mmhg": round(float(rng.normal(751.0, 5.0)), 1),
        "temperature_c": round(float(rng.normal(20.8, 0.7)), 1),
        "relative_humidity_percent": round(float(np.clip(rng.normal(45.0, 6.0), 32.0, 60.0))),
        "altitude_m": 95,
    }


def _calibrations(rng: np.random.Generator, calibration: Calibration) -> list[dict[str, Any]]:
    rows = []
    for when in ("before", "after"):
        for kind, expected, unit, device, spread in (
            ("gas", 16.0, "% O2", "O2 sensor", 0.02),
            ("gas", 4.0, "% CO2", "CO2 sensor", 0.015),
            ("volume", 3.0, "L", "flow sensor", 0.012),
        ):
            factor = calibration.flow if kind == "volume" and when == "after" else 1.0
            measured = round(expected * factor + float(rng.normal(0.0, spread)), 2)
            rows.append(
                {
                    "when": when,
                    "kind": kind,
                    "expected": expected,
                    "measured": measured,
                    "unit": unit,
                    "device": device,
                }
            )
    return rows


def make_visit(subject: Subject, number: int) -> Made:
    """Simulate one visit: its conditions, its test or tests, their files and notes.

    Parameters
    ----------
    number : int
        Position of the visit in the subject's list, from 0.
    """
    visit = subject.visits[number]
    sex, age = subject.sex or subject.simulated_as, subject.age_on(visit.date)
    first = subject.visits[0]
    lasting = draw_person(
        stream(subject.code),
        sex,
        subject.age_on(first.date),
        first.mass_kg,
        subject.height_cm,
        fitness=subject.fitness,
        trained=subject.trained,
    )
    ref = f"{subject.code.lower()}-{visit.date}"
    rng = stream(subject.code, visit.date)
    mode, shape = PROTOCOLS[visit.protocol]
    conditions = _conditions(rng)
    pressure = conditions["barometric_pressure_mmhg"]
    ceiling = visit.form - 0.004 * (age - subject.age_on(first.date))
    person = on_the_day(
        rng, lasting, ceiling_factor=ceiling, heart_rate_factor=subject.heart_rate_factor, effort=visit.effort
    )
    calibration = draw_calibration(rng)
    round_to_s = WINDOW_S if visit.layout in WITH_PHASES else 5.0
    trace = run(person, plan(visit.protocol, subject), visit.mass_kg, visit, pressure, round_to_s)
    recording = record(rng, person, trace, calibration, mode)
    if visit.fault == "leak":
        recording = leaking(recording)
    if visit.fault == "carbon_dioxide_lost":
        recording = without_carbon_dioxide(recording)
    heading = Heading(subject.code, visit.date, visit.mass_kg, conditions["temperature_c"], pressure)
    path = f"{subject.group}/{ref}.{ENDINGS.get(visit.layout, 'csv')}"
    test = _test_entry(visit, ref, path, trace, mode, shape)
    notes = stage_notes(rng, subject, visit, person, recording)
    tests, files = [test], {}
    if visit.bout is not None:
        second = _bout(rng, visit, person, recording, calibration, pressure)
        after = test | {"ref": f"{ref}-verification", "verifies": ref}
        whole = recording.trace.time_s[-1]
        options = {
            key: value for key, value in test["import_options"].items() if key in {"mode", "time_marks"}
        }
        shift = whole if visit.bout.same_file else 0.0
        options |= {
            "shape": "constant",
            "purpose": "verification",
            "exercise_start_s": shift + second.trace.exercise_start_s,
            "exercise_end_s": shift + second.trace.exercise_end_s,
            "stop_reason": "exhaustion",
        }
        if visit.bout.same_file:
            recording = joined(recording, second)
            test["import_options"]["rows"] = [0.0, float(whole)]
            options["rows"] = [float(whole), float(recording.trace.time_s[-1])]
        else:
            after["file"] = path.replace(".csv", "-verification.csv")
            files[after["file"]] = WRITERS[visit.layout](as_rows(second, visit.layout, mode), heading)
        after["import_options"] = options
        after["stage_notes"] = [
            {
                "stage": None,
                "phase": "exercise",
                "time_s": options["exercise_end_s"],
                "work_rate_w": float(second.trace.work_rate_w[ends_at(second.trace)]),
                "rpe": 19.0 if visit.bout.share > 1.0 else 16.0,
                "rpe_scale": "6-20",
            }
        ]
        if visit.bout.share < 1.0:
            options["stop_reason"] = "other"
            after["details"] = after["details"] | {"stop_note": "Ended after two minutes as planned."}
        tests.append(after)
    rows = as_rows(recording, visit.layout, mode)
    if visit.fault == "heart_rate_drop_out":
        rows = heart_rate_dropped(rows, trace.exercise_end_s, blank=subject.group == "study")
    files[path] = WRITERS[visit.layout](rows, heading)
    test["stage_notes"] = notes
    if subject.group == "study":
        test["calibrations"] = _calibrations(rng, calibration)
    return Made(_visit_entry(rng, subject, visit, person, conditions, ref) | {"tests": tests}, files)


def _bout(
    rng: np.random.Generator,
    visit: Visit,
    person: Person,
    main: Recording,
    calibration: Calibration,
    pressure_mmhg: float,
) -> Recording:
    if visit.bout is None:
        msg = "this visit has no verification bout"
        raise ValueError(msg)
    mode, _ = PROTOCOLS[visit.protocol]
    peak_w = float(main.trace.work_rate_w[ends_at(main.trace)])
    work_rate_w = float(round(visit.bout.share * peak_w / 5.0) * 5)
    warm = replace(
        person, heart_rate_rest=person.heart_rate_rest + 24.0, quotient_low=person.quotient_low + 0.05
    )
    trace = simulate(
        warm,
        verification_plan(work_rate_w, mode),
        visit.mass_kg,
        stop_s=visit.bout.length_s,
        round_to_s=5.0,
        barometric_pressure_mmhg=pressure_mmhg,
        after=main.trace,
    )
    return record(rng, person, trace, calibration, mode)


def _test_entry(visit: Visit, ref: str, path: str, trace: Trace, mode: str, shape: str) -> dict[str, Any]:
    options: dict[str, Any] = {
        "mode": mode,
        "shape": shape,
        "purpose": "submaximal" if visit.stop == "target_reached" else "maximal",
        "protocol_id": visit.protocol,
        "stop_reason": visit.stop,
    }
    if visit.layout not in WITH_PHASES:
        options["exercise_start_s"] = trace.exercise_start_s
        options["exercise_end_s"] = trace.exercise_end_s
    if visit.layout == "start_marks":
        options["time_marks"] = "start"
    if visit.layout == "workbook":
        options["sheet"] = "Intervals"
    details: dict[str, Any] = {"interface": "mask", "recovery_active": True, "recovery_posture": "upright"}
    if mode == "treadmill":
        details |= {"ergometer": "treadmill A", "handrail_support": False}
    else:
        details["ergometer"] = {"cycle": "cycle ergometer A", "row": "rowing ergometer A"}[mode]
        details["recovery_posture"] = "seated"
    if visit.stop_note:
        details["stop_note"] = visit.stop_note
    if visit.notes:
        details["notes"] = visit.notes
    return {"ref": ref, "file": path, "import_options": options, "details": details, "verifies": None}


def _visit_entry(
    rng: np.random.Generator,
    subject: Subject,
    visit: Visit,
    person: Person,
    conditions: Mapping[str, float],
    ref: str,
) -> dict[str, Any]:
    hour, minute = int(rng.integers(9, 18)), int(rng.choice([0, 15, 30, 45]))
    entry: dict[str, Any] = {
        "ref": ref,
        "started_at": f"{visit.date}T{hour:02d}:{minute:02d}:00+01:00",
        "site": {"centre": "Demonstration centre", "squad": "Boathouse", "study": "Study laboratory"}[
            subject.group
        ],
        "tester": f"T{1 + int(rng.integers(0, 2))}",
        "body_mass_kg": visit.mass_kg,
        "body_mass_source": "measured",
        "height_cm": subject.height_cm,
        "resting_heart_rate_bpm": round(person.heart_rate_rest + float(rng.normal(0.0, 1.0))),
        "resting_systolic_mmhg": int(round((subject.resting_systolic_mmhg + rng.normal(0.0, 4.0)) / 2.0) * 2),
        "resting_diastolic_mmhg": int(
            round((0.32 * subject.resting_systolic_mmhg + 38.0 + rng.normal(0.0, 3.0)) / 2.0) * 2
        ),
        "resting_spo2_percent": int(rng.choice([97, 98, 98, 99])),
        **conditions,
        "hours_since_meal": float(rng.choice([2.0, 2.5, 3.0, 4.0])),
        "hours_since_caffeine": float(rng.choice([4.0, 6.0, 12.0, 24.0])),
        "hours_since_exercise": float(rng.choice([24.0, 36.0, 48.0, 72.0])),
    }
    if visit.round is not None:
        entry["round"] = visit.round
    if subject.medication is not None:
        entry["medications"] = [dict(subject.medication)]
    entry["measurements"] = [{"quantity": key, "value": value} for key, value in visit.measurements.items()]
    return entry


def reported_visits(subject: Subject) -> list[dict[str, Any]]:
    """Visits from years before of which only results on paper are left."""
    visits = []
    for date, mass_kg, results in REPORTED.get(subject.code, ()):
        ref = f"{subject.code.lower()}-{date}"
        visits.append(
            {
                "ref": ref,
                "started_at": f"{date}T10:00:00+01:00",
                "body_mass_kg": mass_kg,
                "body_mass_source": "stated",
                "height_cm": subject.height_cm,
                "notes": "Entered from a sheet of paper the client brought.",
                "measurements": [],
                "tests": [
                    {
                        "ref": ref,
                        "file": None,
                        "details": {"mode": "cycle", "purpose": "maximal"},
                        "verifies": None,
                        "reported_results": [
                            {
                                "quantity": quantity,
                                "value": value,
                                "method": "as printed, averaging not stated",
                                "source": "result sheet kept by the client",
                            }
                            for quantity, value in results.items()
                        ],
                    }
                ],
            }
        )
    return visits


def make_subject(subject: Subject) -> tuple[dict[str, Any], dict[str, bytes]]:
    """One subject of the record with all visits, and the files of the tests."""
    files: dict[str, bytes] = {}
    visits = reported_visits(subject)
    for number in range(len(subject.visits)):
        made = make_visit(subject, number)
        visits.append(made.entry)
        files |= made.files
    entry: dict[str, Any] = {"code": subject.code}
    for name in ("given_name", "family_name", "notes"):
        if getattr(subject, name) is not None:
            entry[name] = getattr(subject, name)
    if subject.birth_year_only:
        entry["birth_year"] = int(subject.birth)
    else:
        entry["birth_date"] = subject.birth
    entry["sex"] = subject.sex
    return entry | {"visits": visits}, files


@dataclass(frozen=True, slots=True)
class Example:
    """One of the three files for a first try."""

    path: str
    subject: Subject
    layout: str


EXAMPLES: tuple[Example, ...] = (
    Example(
        "examples/cycle-step-15s.csv",
        Subject(
            "EX-01", "centre", "male", "1991-06-01", 179, 0.86,
            (Visit("2025-11-11", 80.0, 1.0, "cycle_step_trained", "plain_comma", effort=1.5),), start_w=100.0,
        ),
        "plain_comma",
    ),
    Example(
        "examples/treadmill-ramp-breaths.csv",
        Subject(
            "EX-04", "centre", "female", "1996-09-01", 169, 1.30,
            (Visit("2025-11-12", 61.0, 1.0, "centre_treadmill_run_ramp", "breath_by_breath"),), trained=True,
        ),
        "breath_by_breath",
    ),
    Example(
        "examples/faulty-leak.csv",
        Subject(
            "EX-03", "centre", "male", "1978-02-01", 183, 1.05,
            (Visit("2025-11-13", 85.0, 1.0, "cycle_step_trained", "plain_comma", fault="leak"),), start_w=100.0,
        ),
        "plain_comma",
    ),
)  # fmt: skip


def cohorts() -> list[dict[str, Any]]:
    """The groups of the scenario with their members and arms."""
    study = [s for s in SUBJECTS if s.group == "study"]
    squad = [s for s in SUBJECTS if s.group == "squad"]
    return [
        {
            "name": "Fitness centre",
            "notes": "Clients of the invented fitness centre.",
            "members": [{"code": s.code} for s in SUBJECTS if s.group == "centre"],
        },
        {
            "name": "Rowing squad",
            "notes": "One invented season, four rounds.",
            "members": [{"code": s.code, "joined_on": "2024-10-01"} for s in squad],
        },
        {
            "name": "Training study",
            "notes": "Two invented arms, two baselines and two follow-ups; some rounds are missing.",
            "members": [{"code": s.code, "arm": s.arm, "joined_on": s.visits[0].date} for s in study],
        },
    ]


def build(codes: Iterable[str] | None = None) -> dict[str, bytes]:
    """All files by their path under ``seed_data/``.

    Parameters
    ----------
    codes : iterable of str, optional
        Make only the test files of these subjects, and no record.
    """
    wanted = None if codes is None else set(codes)
    files: dict[str, bytes] = {}
    subjects = []
    for subject in SUBJECTS:
        if wanted is not None and subject.code not in wanted:
            continue
        entry, made = make_subject(subject)
        subjects.append(entry)
        files |= made
    for example in EXAMPLES:
        if wanted is None or example.subject.code in wanted:
            (content,) = make_visit(example.subject, 0).files.values()
            files[example.path] = content
    if wanted is None:
        whole = {
            "note": NOTE,
            "seed": SEED,
            "protocols": [dict(protocol) for protocol in CUSTOM_PROTOCOLS],
            "subjects": subjects,
            "cohorts": cohorts(),
        }
        files["record.json"] = (json.dumps(whole, indent=1, ensure_ascii=False) + "\n").encode("utf-8")
    return files


def differences(files: Mapping[str, bytes]) -> list[str]:
    """What on disk is not as generated, a line each."""
    lines = []
    for path, content in sorted(files.items()):
        target = HERE / path
        if not target.is_file():
            lines.append(f"{path}: missing")
        elif target.read_bytes() != content:
            lines.append(f"{path}: differs")
    for folder in ("centre", "squad", "study", "examples"):
        for found in sorted((HERE / folder).glob("*")):
            name = found.relative_to(HERE).as_posix()
            if name not in files:
                lines.append(f"{name}: not generated by this script")
    return lines


def main() -> int:
    """Write the files, or with ``--check`` compare them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--check", action="store_true", help="compare with the files on disk and write nothing"
    )
    files = build()
    if parser.parse_args().check:
        found = differences(files)
        print("\n".join(found) or f"{len(files)} files are as generated")
        return 1 if found else 0
    for path, content in files.items():
        target = HERE / path
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(content)
    print(f"wrote {len(files)} files, {sum(map(len, files.values())) / 1e6:.1f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
