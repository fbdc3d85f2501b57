"""A record in which every column has something, so that what an export loses shows."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from service.db.models import (
    Analysis,
    Calibration,
    Cohort,
    CohortMember,
    Event,
    Exclusion,
    ExerciseTest,
    Interval,
    IntervalExtra,
    Measurement,
    Protocol,
    ProtocolStage,
    RecordingMark,
    ReportedResult,
    Result,
    StageNote,
    Subject,
    TesterThreshold,
    Visit,
)
from service.db.transactions import Store
from service.quantities import EXTRA_CHANNELS, STORED_CHANNELS

DAY = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)


def document(test_id: str, text: str) -> dict[str, Any]:
    """The parts of an analysis that an export reads."""
    return {
        "test_id": test_id,
        "peak": {"basis": "measured", "label": "VO2peak"},
        "effort": {"verdict": "undetermined"},
        "plateau": {"verdict": "not_seen"},
        "findings": [
            {
                "code": "column_not_used",
                "severity": "info",
                "message": text,
                "first_seq": 0,
                "last_seq": 1,
                "row": 4,
                "column": text,
            }
        ],
        "ranks": [
            {
                "norm_id": "friend_2017_cycle",
                "reference": "median_only",
                "percentile": 41.0,
                "percentile_low": 38.0,
                "percentile_high": 45.0,
                "percent_of_median": 97.0,
                "percent_of_predicted": 91.0,
                "bound": "below",
                "z": -0.4,
                "age_band": "30-39",
                "n": 120,
                "reason": text,
                "population": text,
                "source": text,
            }
        ],
    }


class Builder:
    """Puts people with everything that can be known of them into a record."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self._number = 0

    def cohort(self, people: list[dict[str, Any]], text: str = "a word") -> tuple[int, list[str]]:
        """A cohort of these people; its key, and every id and digest that is in the record for them.

        A person is ``sex``, ``birth_date`` or ``age_years``, and ``days`` (days of the visits after the first).
        """
        told: list[str] = []
        with self.store.write("test") as transaction:
            session = transaction.session

            def add(row: Any) -> Any:
                session.add(row)
                session.flush()
                told.extend(
                    getattr(row, name) for name in ("public_id", "code", "key") if getattr(row, name, None)
                )
                return row

            self._number += 1
            mark = f"{text}{self._number}"
            cohort = add(
                Cohort(name=mark, notes=text, effort_rules=f"rules {mark}", created_at=DAY, revision=1)
            )
            protocol = add(
                Protocol(
                    key=f"own {mark}", name=text, family=f"family {mark}", mode="cycle", shape="step", purpose="maximal",
                    source=text, created_at=DAY,
                )
            )  # fmt: skip
            session.add(
                ProtocolStage(
                    protocol_id=protocol.id, seq=0, phase="exercise", duration_s=60.0, work_rate_w=50.0, speed_km_h=1.0,
                    grade_percent=2.0, cadence_per_min=60.0, ramp_w_per_min=20.0,
                )
            )  # fmt: skip
            happened = {
                "started_on": DAY.date(), "ended_on": DAY.date(), "title": text, "device": text, "notes": text, "created_at": DAY,
            }  # fmt: skip
            session.add(Event(kind="device_service", **happened))
            for place, person in enumerate(people):
                subject = add(
                    Subject(
                        code=f"{mark} {place}", given_name=text, family_name=text, birth_date=person.get("birth_date"),
                        birth_year=person["birth_date"].year if person.get("birth_date") else None, sex=person.get("sex"),
                        notes=text, next_test_due_on=DAY.date(), revision=1, created_at=DAY,
                    )
                )  # fmt: skip
                session.add(
                    CohortMember(
                        cohort_id=cohort.id, subject_id=subject.id, arm=f"arm {text}", joined_on=DAY.date(),
                        left_on=DAY.date() + timedelta(days=1),
                    )
                )  # fmt: skip
                add(Event(subject_id=subject.id, kind="illness", **happened))
                main = None
                for day in person.get("days", [0]):
                    main = self._visit(add, subject, protocol, DAY + timedelta(days=day), person, text, main)
            session.flush()
            return cohort.id, told

    def _visit(
        self,
        add: Callable[[Any], Any],
        subject: Subject,
        protocol: Protocol,
        at: datetime,
        person: dict[str, Any],
        text: str,
        main: ExerciseTest | None,
    ) -> ExerciseTest:
        numbers = dict.fromkeys(
            (
                "resting_heart_rate_bpm", "resting_systolic_mmhg", "resting_diastolic_mmhg", "resting_spo2_percent",
                "altitude_m", "temperature_c", "relative_humidity_percent", "hours_since_meal", "hours_since_caffeine",
                "hours_since_exercise", "haemoglobin_g_dl", "fev1_l", "mvv_l_min", "vital_capacity_l",
            ),
            20.0,
        )  # fmt: skip
        visit = add(
            Visit(
                subject_id=subject.id, started_at=at, utc_offset_minutes=60, round=f"round {text}", site=text, tester=text,
                age_years=person.get("age_years"), body_mass_kg=70.5, body_mass_source="measured", height_cm=171.0,
                barometric_pressure_mmhg=747.3, history=text, notes=text,
                medications=[{"name": text, "dose": text, "taken_at": at.isoformat(), "limits_heart_rate": True}],
                pre_test_answers=[{"question": text, "answer": text}], consent_given_at=at, cleared_by=text, **numbers,
            )
        )  # fmt: skip
        add(Measurement(visit_id=visit.id, quantity="waist_cm", value=80.0, note=text))
        test = add(
            ExerciseTest(
                visit_id=visit.id, protocol_key=protocol.key, mode="cycle", shape="step", purpose="maximal", status="complete",
                started_at=at, exercise_start_s=0.0, exercise_end_s=30.0, stop_reason="legs", stop_note=text,
                verifies_test_id=None if main is None else main.id, posture=text, ergometer=text, analyser=text,
                interface="mask", lactate_sample_site=text, lactate_analyser=text, handrail_support=False,
                fio2_fraction=0.2093, recovery_posture=text, recovery_active=True, field_inputs={"age_years": 91.2, "a": text},
                reason_for_test=text, rpe_scale="6-20", cautions_acknowledged=[text],
                cautions_acknowledged_by=text, cautions_acknowledged_at=at, ecg_recorded=True, ecg_read_by=text,
                ecg_reading=text, notes=text, source_hash="ab" * 32, source_name=text, source_options={"columns": {text: None}},
                source_columns=[{"header": text}], source_findings=[{"message": text}],
            )
        )  # fmt: skip
        for seq in range(2):
            add(
                Interval(
                    test_id=test.id, seq=seq, end_s=15.0 * (seq + 1), duration_s=15.0, phase=2, stage=seq,
                    **dict.fromkeys(STORED_CHANNELS, 0.1 + seq / 3),
                )
            )  # fmt: skip
            add(IntervalExtra(test_id=test.id, seq=seq, **dict.fromkeys(EXTRA_CHANNELS, 0.2 + seq / 7)))
        add(Exclusion(test_id=test.id, seq=1, excluded=True, by=text, reason=text, at=at))
        add(
            StageNote(
                test_id=test.id, seq=0, stage=1, phase="exercise", time_s=15.0, work_rate_w=50.0, speed_km_h=1.0,
                grade_percent=-1.0, heart_rate_bpm=100.0, rpe=11.0, rpe_scale="6-20", rpe_legs=12.0, rpe_breathing=13.0,
                systolic_mmhg=150.0, diastolic_mmhg=70.0, lactate_mmol_l=2.5, spo2_percent=97.0, symptoms=text, note=text,
            )
        )  # fmt: skip
        add(
            RecordingMark(
                test_id=test.id, seq=0, kind="stage_started", at=at, utc_offset_minutes=60, phase="exercise", stage=1,
                work_rate_w=50.0, speed_km_h=1.0, grade_percent=-1.0, stop_reason="legs", stop_note=text, counts=True, by=text,
            )
        )  # fmt: skip
        add(
            ReportedResult(
                test_id=test.id, quantity="vo2_peak_ml_min", value=2500.0, method=text, source=text
            )
        )
        add(
            Calibration(
                test_id=test.id,
                seq=0,
                moment="before",
                kind="volume",
                expected=3.0,
                measured=2.99,
                unit=text,
                device=text,
            )
        )
        add(
            TesterThreshold(
                test_id=test.id, threshold="vt1", vo2_ml_min=1500.0, time_s=20.0, by=text, reason=text, at=at
            )
        )
        add(
            Analysis(
                test_id=test.id, analysis_version="3", input_hash="cd" * 32, site_revision=0, computed_at=at,
                settings={
                    "peak_convention": "time_weighted", "peak_window_s": 30.0, "peak_window_breaths": 8,
                    "effort_rules": f"rules {text}", "plateau_rule": text, "heart_rate_max_method": "heart_rate_max_tanaka",
                    "aberrant_breaths": "local_sd", "chosen_by": {"effort_rules": "site"},
                },
                document=json.dumps(document(test.public_id, text)),
            )
        )  # fmt: skip
        for quantity, basis in (
            ("vo2_peak_ml_min", "reported"),
            ("heart_rate_max_bpm", "measured"),
            ("mets_peak", "estimated"),
        ):
            add(
                Result(
                    subject_id=subject.id, visit_id=visit.id, test_id=test.id, quantity=quantity, value=180.0,
                    method=text if basis == "reported" else "highest_window", method_version="3", occurred_at=at,
                    date=at.date(), mode="cycle", basis=basis, protocol_family=protocol.family, effort="undetermined",
                    convention="time_weighted", effective_window_s=30.0, rer=1.1, has_error=False,
                )
            )  # fmt: skip
        add(
            Result(
                subject_id=subject.id, visit_id=visit.id, quantity="body_mass_kg", value=70.5, method="measured",
                method_version="1", occurred_at=at, date=at.date(), basis="measured",
            )
        )  # fmt: skip
        return test
