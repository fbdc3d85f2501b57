"""Judging tests, and keeping every judgement true.

Each write that an analysis rests on is an `Edit`: a value that can be tried on what was read, judged, and only
then made. So analysis never holds the write lock, and no stored result is ever older than its inputs.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any, TypeVar

import numpy as np
import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses import queries
from service.analyses.queries import TestRows
from service.analysis.ages import years_between
from service.analysis.breath_care import NO_RULE, with_breaths_left_out
from service.analysis.choice import check_settings, choose, differing, kept_requests, requested_of
from service.analysis.gas import with_computed_uptake
from service.analysis.marks import find_marks
from service.analysis.peaks import ML_KG_MIN_PER_MET, find_maxima
from service.analysis.rule_sets import RULE_SETS, RuleSet
from service.analysis.series import (
    Bools,
    Conditions,
    Person,
    ReportedValue,
    Series,
    StageNote,
    TesterThreshold,
    TestInput,
    VerificationBout,
)
from service.analysis.summary import ANALYSIS_VERSION, AnalysisSettings, TestAnalysis, analyse_test
from service.audit.queries import values_before
from service.controls.queries import count_change, feeds_charts
from service.controls.workflow import shift_warnings, tested_on
from service.db.models import Exclusion, ExerciseTest, Subject, Visit, new_public_id
from service.db.transactions import Claim, Store, Transaction, now, on_fresh_snapshot
from service.effort_rules.queries import CohortRules, own_rule_sets, rules_of_cohorts
from service.errors import Conflict, InvalidContent, NotFound, Place, StaleRevision
from service.findings import finding
from service.outlets.display import NEUTRAL, Display
from service.reference.tables import NormTable
from service.subjects.queries import bump

T = TypeVar("T")

#: The test that an edit makes has no key yet.
NEW_TEST = 0


@dataclass(frozen=True, slots=True)
class ExclusionEdit:
    """A decision about one row: taken out, kept whatever a rule says, or (None) no longer decided."""

    seq: int
    excluded: bool | None
    by: str
    reason: str


@dataclass(frozen=True, slots=True)
class Edit:
    """What one write changes under a subject.

    Attributes
    ----------
    subject, visit, test : mapping
        Columns with their new values. With `new_test` the columns of the test to be made.
    series, notes, reported, calibrations, tester_thresholds
        What replaces the intervals, the stage notes and so on; None leaves them.
    appended : Series, optional
        Intervals that follow those there are.
    exclusions : tuple of ExclusionEdit
    new_test : bool
    """

    subject: Mapping[str, Any] = field(default_factory=dict)
    visit: Mapping[str, Any] = field(default_factory=dict)
    test: Mapping[str, Any] = field(default_factory=dict)
    series: Series | None = None
    appended: Series | None = None
    notes: Sequence[StageNote] | None = None
    reported: Sequence[ReportedValue] | None = None
    calibrations: Sequence[Mapping[str, Any]] | None = None
    tester_thresholds: Sequence[Mapping[str, Any]] | None = None
    exclusions: tuple[ExclusionEdit, ...] = ()
    new_test: bool = False


@dataclass(frozen=True, slots=True)
class Target:
    """Where an edit is made."""

    subject_pk: int
    subject_id: str
    visit_pk: int | None = None
    test_pk: int | None = None
    revision: int | None = None


@dataclass(frozen=True, slots=True)
class Judged:
    """An analysis, ready to be served and stored."""

    document: dict[str, Any]
    settings: AnalysisSettings
    input_hash: str
    results: list[dict[str, Any]]


def age_on(subject: Mapping[str, Any], visit: Mapping[str, Any], day: date) -> dict[str, Any]:
    """Age on a day as `Person` takes it: from the birth date, else as given, else at mid-year."""
    birth: date | None = subject["birth_date"]
    if birth is not None:
        age = years_between(birth, day)
        return {"age_years": age, "age_low_years": age, "age_high_years": age, "age_basis": "birth_date"}
    if visit["age_years"] is not None:
        age = visit["age_years"]
        return {"age_years": age, "age_low_years": age, "age_high_years": age, "age_basis": "given"}
    year: int | None = subject["birth_year"]
    if year is not None:
        return {
            "age_years": years_between(date(year, 7, 1), day),
            "age_low_years": years_between(date(year, 12, 31), day),
            "age_high_years": years_between(date(year, 1, 1), day),
            "age_basis": "birth_year",
        }
    return {"age_years": None, "age_low_years": None, "age_high_years": None, "age_basis": None}


def test_day(rows: TestRows) -> date:
    """The date of the test in the visit's own offset."""
    return queries.local_date(rows.visit["started_at"], rows.visit["utc_offset_minutes"])


def to_input(rows: TestRows, verification: VerificationBout | None = None) -> TestInput:
    """Rows of the database as the pure core takes them."""
    visit, test = rows.visit, rows.test
    person = Person(
        sex=rows.subject["sex"],
        **age_on(rows.subject, visit, test_day(rows)),
        body_mass_kg=visit["body_mass_kg"],
        body_mass_source=visit["body_mass_source"],
        height_cm=visit["height_cm"],
        limits_heart_rate=any(
            medication.get("limits_heart_rate") for medication in visit["medications"] or ()
        ),
        resting_heart_rate_bpm=visit["resting_heart_rate_bpm"],
        resting_systolic_mmhg=visit["resting_systolic_mmhg"],
        resting_diastolic_mmhg=visit["resting_diastolic_mmhg"],
        fev1_l=visit["fev1_l"],
        vital_capacity_l=visit["vital_capacity_l"],
        mvv_l_min=visit["mvv_l_min"],
        hours_since_meal=visit["hours_since_meal"],
    )
    conditions = Conditions(
        barometric_pressure_mmhg=visit["barometric_pressure_mmhg"],
        temperature_c=visit["temperature_c"],
        relative_humidity_percent=visit["relative_humidity_percent"],
        altitude_m=visit["altitude_m"],
        fio2_fraction=test["fio2_fraction"],
    )
    return TestInput(
        series=rows.series,
        mode=test["mode"],
        person=person,
        purpose=test["purpose"],
        shape=test["shape"],
        conditions=conditions,
        notes=rows.notes,
        exercise_start_s=test["exercise_start_s"],
        exercise_end_s=test["exercise_end_s"],
        stop_reason=test["stop_reason"],
        protocol_family=rows.protocol_family,
        handrail_support=test["handrail_support"],
        recovery_active=test["recovery_active"],
        recovery_posture=test["recovery_posture"],
        verification=verification,
        reported=rows.reported,
        tester_thresholds=tuple(
            TesterThreshold(
                row["threshold"],
                who=row["by"],
                why=row["reason"],
                vo2_ml_min=row["vo2_ml_min"],
                time_s=row["time_s"],
            )
            for row in rows.tester_thresholds
        ),
        calibrations=rows.calibrations,
        field_inputs=test["field_inputs"],
        lactate_sample_site=test["lactate_sample_site"],
        lactate_analyser=test["lactate_analyser"],
    )


def verification_bout(
    main: TestRows, bout: TestRows, settings: AnalysisSettings, own_rule_sets: Sequence[RuleSet] = ()
) -> tuple[VerificationBout, str]:
    """A verification bout as the main test's analysis takes it, and the verdict on its own effort."""
    test = to_input(bout)
    analysis = analyse_test(test, settings, own_rule_sets=own_rule_sets)
    maxima = find_maxima(test, find_marks(test))
    days = (bout.visit["started_at"] - main.visit["started_at"]) / timedelta(days=1)
    told = VerificationBout(
        test_id=bout.test["public_id"] or "",
        peak_vo2_ml_min=analysis.peak.vo2_ml_min,
        duration_s=maxima.exercise_duration_s,
        work_rate_w=maxima.work_rate_w,
        speed_km_h=maxima.speed_km_h,
        grade_percent=analysis.peak.grade_percent,
        days_after=days,
        same_visit=bout.visit["id"] == main.visit["id"],
    )
    return told, analysis.effort.verdict


def judge(
    rows: TestRows,
    bouts: Sequence[TestRows],
    settings: AnalysisSettings,
    tables: Sequence[NormTable],
    *,
    own_rule_sets: Sequence[RuleSet] = (),
    cohort_rules: Sequence[CohortRules] = (),
    provisional: bool = False,
) -> Judged:
    """Analyse one test.

    Parameters
    ----------
    rows : TestRows
    bouts : sequence of TestRows
        Its verification bouts; the last one that ended counts.
    settings : AnalysisSettings
    tables : sequence of NormTable
    own_rule_sets : sequence of RuleSet
        The site's rule sets of effort.
    cohort_rules : sequence of CohortRules
        What the cohorts of the person name.
    provisional : bool
        Whether the test is still being recorded.
    """
    bout, bout_verdict = (
        verification_bout(rows, bouts[-1], settings, own_rule_sets) if bouts else (None, None)
    )
    analysis = analyse_test(to_input(rows, bout), settings, tables, own_rule_sets)
    document = {
        "test_id": rows.test["public_id"],
        "provisional": provisional,
        **analysis.as_dict(),
        "settings_changed_since": [],
    }
    document["findings"] = [
        *_cohorts_differ(rows, settings, cohort_rules),
        *_body_mass_changed(rows),
        *_merged(rows.test["source_findings"] or [], document["findings"]),
    ]
    return Judged(
        document=document,
        settings=settings,
        input_hash=_input_hash(rows, bouts),
        results=_index_rows(rows, analysis, document, bout_verdict),
    )


#: Results that rest on uptake itself.
_OF_UPTAKE = frozenset({"vo2_peak_ml_min", "vo2_peak_ml_kg_min", "mets_peak", "o2_pulse_peak_ml_beat"})


def _body_mass_changed(rows: TestRows) -> list[dict[str, Any]]:
    """An error where the file gave uptake per body mass, and the visit no longer has the mass it was multiplied by."""
    now_kg = rows.visit["body_mass_kg"]
    return [
        finding(
            "uptake_from_body_mass",
            f"Column '{column['header']}' was multiplied by a body mass of {column['body_mass_kg']:g} kg, but the visit now "
            f"has {'none' if now_kg is None else f'{now_kg:g} kg'}. Import the file again with replace=true.",
            severity="error",
            column=column["header"],
        ).as_dict()
        for column in rows.test["source_columns"] or []
        if column.get("body_mass_kg") not in {None, now_kg}
    ]


def _cohorts_differ(
    rows: TestRows, settings: AnalysisSettings, cohort_rules: Sequence[CohortRules]
) -> list[dict[str, Any]]:
    """A warning where the person's cohorts name different rule sets of effort, so that none of them decides."""
    named = [one for one in cohort_rules if one.holds_on(test_day(rows))]
    if len({one.rule_set for one in named}) < 2 or settings.chosen_by.get("effort_rules") == "request":
        return []
    told = ", ".join(f"{one.cohort!r}: {one.rule_set}" for one in named)
    return [
        finding(
            "cohorts_name_different_rules",
            f"The cohorts of this person name different rule sets of effort ({told}), so none of them decides; used is "
            f"{settings.effort_rules}.",
        ).as_dict()
    ]


def _merged(of_file: list[dict[str, Any]], found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Findings of reading, then of judging; what reading told with its row and column is not told again."""
    told = {one["code"] for one in of_file if one.get("row") is not None}
    return [
        *of_file,
        *(one for one in found if one["code"] not in told or one["code"] != "reported_beyond_limit"),
    ]


def _input_hash(rows: TestRows, bouts: Sequence[TestRows]) -> str:
    """What the analysis rests on, in one digest: `check` finds results whose inputs changed by it."""
    digest = hashlib.sha256(ANALYSIS_VERSION.encode())
    for one in (rows, *bouts):
        test = to_input(one)
        for array in (
            test.series.end_s,
            test.series.duration_s,
            test.series.phase,
            test.series.stage,
            test.series.excluded,
            kept_rows(test.series),
        ):
            digest.update(array.tobytes())
        for name in sorted(test.series.channels):
            digest.update(name.encode())
            digest.update(test.series.channels[name].tobytes())
        told = (test.mode, test.shape, test.purpose, test.person, test.conditions, test.notes, test.reported)
        marks = (test.exercise_start_s, test.exercise_end_s, test.stop_reason, test.protocol_family)
        recovery = (test.handrail_support, test.recovery_active, test.recovery_posture)
        beside = (test.tester_thresholds, [dict(row) for row in test.calibrations], test.field_inputs)
        lactate = (test.lactate_sample_site, test.lactate_analyser)
        digest.update(repr((told, marks, recovery, beside, lactate, str(one.visit["started_at"]))).encode())
    return digest.hexdigest()


def _index_rows(
    rows: TestRows, analysis: TestAnalysis, document: dict[str, Any], bout_verdict: str | None
) -> list[dict[str, Any]]:
    """Rows of the results index.

    Only a maximal test gives a point of a trend: a verification bout belongs to its main test, and the highest
    uptake of a submaximal test is no peak. An estimate is what a submaximal test is for.
    """
    belongs_to_another = rows.test["verifies_test_id"] is not None
    if belongs_to_another or rows.test["status"] == "void":
        return []
    maximal = rows.test["purpose"] == "maximal"
    verification = document["effort"]["verification"] or {}
    replaced = _session_peak(rows, verification)
    mass_changed = bool(_body_mass_changed(rows))
    verdict = document["effort"]["verdict"]
    common = {
        "subject_id": rows.subject["id"],
        "visit_id": rows.visit["id"],
        "method_version": ANALYSIS_VERSION,
        "occurred_at": rows.visit["started_at"],
        "date": test_day(rows),
        "mode": rows.test["mode"],
        "protocol_family": rows.protocol_family,
        "rer": document["maxima"]["rer"],
    }
    return [
        {
            **common,
            "quantity": result.quantity,
            "value": replaced.get(result.quantity, result.value),
            "method": f"{result.method}, from the verification bout"
            if result.quantity in replaced
            else result.method,
            # A submaximal test was meant to be one: its estimate is no worse for that.
            "effort": None
            if result.basis == "estimated"
            else bout_verdict
            if result.quantity in replaced
            else verdict,
            "basis": result.basis,
            "convention": result.convention,
            "effective_window_s": result.effective_window_s,
            "has_error": result.has_error or (mass_changed and result.quantity in _OF_UPTAKE),
        }
        for result in analysis.results
        if maximal or result.basis == "estimated"
    ]


def _session_peak(rows: TestRows, verification: Mapping[str, Any]) -> dict[str, float]:
    """The session's peak where the verification bout was clearly above the main test."""
    if verification.get("verdict") != "above":
        return {}
    uptake: float = verification["session_peak_ml_min"]
    answer = {"vo2_peak_ml_min": uptake}
    if mass := rows.visit["body_mass_kg"]:
        answer |= {"vo2_peak_ml_kg_min": uptake / mass, "mets_peak": uptake / mass / ML_KG_MIN_PER_MET}
    return answer


def followed_by(series: Series, more: Series) -> Series:
    """A series with further intervals at its end; a channel that one of them lacks is missing there."""

    def joined(name: str) -> Any:
        return np.concatenate([getattr(series, name), getattr(more, name)])

    return Series(
        end_s=joined("end_s"),
        duration_s=joined("duration_s"),
        channels={
            name: np.concatenate([series.channel(name), more.channel(name)])
            for name in {**series.channels, **more.channels}
        },
        phase=joined("phase"),
        stage=joined("stage"),
        excluded=joined("excluded"),
        kept=np.concatenate([kept_rows(series), kept_rows(more)]),
    )


def kept_rows(series: Series) -> Bools:
    """Whether each row is kept by hand, as an array of its own."""
    return series.kept.copy() if series.kept.size else np.zeros(len(series), dtype=np.bool_)


def overlay(rows: TestRows, edit: Edit) -> TestRows:
    """What the rows will be once `edit` is made; `rows` is the test that the edit is about."""
    series = edit.series if edit.series is not None else rows.series
    if edit.appended is not None:
        series = followed_by(series, edit.appended)
    if edit.exclusions:
        excluded, kept = series.excluded.copy(), kept_rows(series)
        for one in edit.exclusions:
            excluded[one.seq] = one.excluded is True
            kept[one.seq] = one.excluded is False
        series = replace(series, excluded=excluded, kept=kept)
    return replace(
        rows,
        subject={**rows.subject, **edit.subject},
        visit={**rows.visit, **edit.visit},
        test={**rows.test, **edit.test},
        series=series,
        notes=tuple(edit.notes) if edit.notes is not None else rows.notes,
        # In the order in which they will be read again, so that the digest of the inputs is the same.
        reported=tuple(sorted(edit.reported, key=lambda one: one.quantity))
        if edit.reported is not None
        else rows.reported,
        calibrations=tuple(edit.calibrations) if edit.calibrations is not None else rows.calibrations,
        tester_thresholds=tuple(sorted(edit.tester_thresholds, key=lambda one: str(one["threshold"])))
        if edit.tester_thresholds is not None
        else rows.tester_thresholds,
    )


def _apply(transaction: Transaction, target: Target, edit: Edit) -> int | None:
    """Make the edit; the key of the test it is about."""
    session = transaction.session
    if edit.subject:
        session.execute(sa.update(Subject).where(Subject.id == target.subject_pk).values(**edit.subject))
    if edit.visit:
        session.execute(sa.update(Visit).where(Visit.id == target.visit_pk).values(**edit.visit))
    test_pk = target.test_pk
    if edit.new_test:
        test = ExerciseTest(visit_id=target.visit_pk, **edit.test)
        session.add(test)
        session.flush()
        test_pk = test.id
    elif edit.test:
        session.execute(sa.update(ExerciseTest).where(ExerciseTest.id == test_pk).values(**edit.test))
    if test_pk is None:
        return None
    if edit.series is not None:
        store = queries.write_series if edit.new_test else queries.replace_series
        store(session, test_pk, edit.series)
    if edit.appended is not None:
        queries.append_series(session, test_pk, edit.appended)
    if edit.notes is not None:
        queries.replace_notes(session, test_pk, edit.notes, new=edit.new_test)
    if edit.reported is not None:
        queries.replace_reported(session, test_pk, edit.reported)
    if edit.calibrations is not None:
        queries.replace_calibrations(session, test_pk, edit.calibrations)
    if edit.tester_thresholds is not None:
        queries.replace_tester_thresholds(session, test_pk, edit.tester_thresholds)
    for one in edit.exclusions:
        session.execute(sa.delete(Exclusion).where(Exclusion.test_id == test_pk, Exclusion.seq == one.seq))
        if one.excluded is not None:
            session.add(
                Exclusion(
                    test_id=test_pk,
                    seq=one.seq,
                    excluded=one.excluded,
                    by=one.by,
                    reason=one.reason,
                    at=now(),
                )
            )
    return test_pk


def _before(session: Session, target: Target, edit: Edit) -> dict[str, Any]:
    """What the edit takes the place of, for the audit."""
    replaced = ("series", "notes", "reported", "calibrations", "tester_thresholds")
    parts = {name for name in replaced if getattr(edit, name) is not None}
    if edit.exclusions:
        parts.add("exclusions")
    return values_before(
        session,
        subject=(target.subject_pk, edit.subject),
        visit=(target.visit_pk, edit.visit),
        test=(None if edit.new_test else target.test_pk, edit.test),
        parts=parts,
    )


def _moves_charts(session: Session, target: Target, edit: Edit) -> bool:
    """Whether an edit changes what a control chart of calibrations shows."""
    if edit.calibrations is not None:
        return True
    moved = bool({"status", "analyser"} & edit.test.keys()) or "started_at" in edit.visit
    return moved and not edit.new_test and feeds_charts(session, target.visit_pk)


@dataclass(frozen=True, slots=True)
class _Snapshot:
    """What an edit is judged by; but for the revision nothing, where no complete test rests on it."""

    revision: int
    site_revision: int = 0
    tables: tuple[NormTable, ...] = ()
    rows: dict[int, TestRows] = field(default_factory=dict)
    bouts: dict[int, list[int]] = field(default_factory=dict)
    settings: dict[int, AnalysisSettings] = field(default_factory=dict)
    own_rule_sets: tuple[RuleSet, ...] = ()
    cohort_rules: tuple[CohortRules, ...] = ()


@dataclass(frozen=True, slots=True)
class StandingChoices:
    """What the site and the cohorts have chosen, as it is now."""

    of_site: Mapping[str, Any]
    of_cohorts: Mapping[int, list[CohortRules]]

    def settings(self, subject_pk: int, day: date, stored: Mapping[str, Any]) -> AnalysisSettings:
        """The settings that a test of this day would be analysed anew with.

        Parameters
        ----------
        subject_pk : int
        day : date
            Of the test: only cohorts that the person was in on that day count.
        stored : mapping
            Settings of the stored analysis, empty where there is none; what was asked for the test stays.
        """
        return self.asking(subject_pk, day, kept_requests(stored, {}))

    def asking(self, subject_pk: int, day: date, requested: Mapping[str, Any]) -> AnalysisSettings:
        """The same with what is asked for the test."""
        named = [one.rule_set for one in self.of_cohorts.get(subject_pk, []) if one.holds_on(day)]
        return choose(requested, named, self.of_site)


def standing_choices(session: Session, subject_pk: int | None = None) -> StandingChoices:
    """What the site and the cohorts of a subject, or of all, have chosen."""
    return StandingChoices(
        queries.site(session).settings.get("analysis", {}),
        rules_of_cohorts(session, None if subject_pk is None else [subject_pk]),
    )


def _snapshot(session: Session, target: Target, edit: Edit) -> _Snapshot:
    subject = session.get(Subject, target.subject_pk)
    if subject is None:
        raise NotFound("The subject was deleted in the meantime.")
    touched: list[int] = []
    if edit.subject:
        touched = queries.complete_tests_of_subject(session, target.subject_pk)
    elif edit.visit and target.visit_pk is not None:
        touched = queries.complete_tests_of_visit(session, target.visit_pk)
    elif target.test_pk is not None:
        touched = queries.complete_tests_on(session, target.test_pk)
    own = edit.test.get("status") == "complete"
    if own and target.test_pk is not None and target.test_pk not in touched:
        touched.append(target.test_pk)
    # The link of a verification bout concerns the test it pointed to, and the one it points to now.
    linked = edit.test.get("verifies_test_id")
    if linked is not None and linked not in touched:
        touched.append(linked)
    if not touched and not (own and edit.new_test):
        # Nothing is judged: an interval of a running test waits for no question about rules and tables.
        return _Snapshot(subject.revision)
    bouts = queries.verifications_of(session, touched)
    wanted = {*touched, *(bout for several in bouts.values() for bout in several)}
    rows = queries.load_tests(session, sorted(wanted))
    stored = queries.stored_settings(session, touched)
    if edit.new_test:
        rows[NEW_TEST] = _new_rows(session, target, edit)
        if own:
            touched.append(NEW_TEST)
    standing = standing_choices(session, target.subject_pk)

    def settings_of(test_pk: int) -> AnalysisSettings:
        if test_pk in stored:
            return AnalysisSettings(**stored[test_pk])
        return standing.settings(target.subject_pk, _day_after(rows[test_pk], target, edit), {})

    return _Snapshot(
        revision=subject.revision,
        site_revision=queries.site(session).revision,
        tables=queries.norm_tables(session),
        rows=rows,
        bouts=bouts,
        settings={pk: settings_of(pk) for pk in touched},
        own_rule_sets=own_rule_sets(session),
        cohort_rules=tuple(standing.of_cohorts.get(target.subject_pk, ())),
    )


def _day_after(rows: TestRows, target: Target, edit: Edit) -> date:
    """The day of a test once the edit is made."""
    moved = rows.visit["id"] == target.visit_pk
    return test_day(replace(rows, visit={**rows.visit, **(edit.visit if moved else {})}))


def _new_rows(session: Session, target: Target, edit: Edit) -> TestRows:
    visit = session.get(Visit, target.visit_pk)
    subject = session.get(Subject, target.subject_pk)
    assert visit is not None  # noqa: S101 the address named it under the same snapshot
    assert subject is not None  # noqa: S101 as above
    blank = {column.key: None for column in sa.inspect(ExerciseTest).columns}
    return TestRows(
        subject=queries._mapping(subject),  # noqa: SLF001 the one other place that makes rows
        visit=queries._mapping(visit),  # noqa: SLF001
        test={**blank, "visit_id": target.visit_pk},
        series=queries.no_series(),
        notes=(),
        reported=(),
        protocol_family=queries.family_of(session, edit.test.get("protocol_key")),
    )


def _judge_edited(
    snapshot: _Snapshot, target: Target, edit: Edit, session_family: Callable[[str | None], str | None]
) -> dict[int, Judged]:
    about = NEW_TEST if edit.new_test else target.test_pk
    rows: dict[int, TestRows] = {}
    for pk, one in snapshot.rows.items():
        if pk == about:
            changed = overlay(one, edit)
            if "protocol_key" in edit.test:
                changed = replace(changed, protocol_family=session_family(edit.test["protocol_key"]))
            rows[pk] = changed
        else:
            # The subject and, for tests of the same visit, the visit change for the others too.
            same_visit = one.visit["id"] == target.visit_pk
            rows[pk] = overlay(one, Edit(subject=edit.subject, visit=edit.visit if same_visit else {}))
    bouts = {main: list(several) for main, several in snapshot.bouts.items()}
    if about is not None and about in rows and ("verifies_test_id" in edit.test or "status" in edit.test):
        for several in bouts.values():
            if about in several:
                several.remove(about)
        main = rows[about].test["verifies_test_id"]
        if main is not None and rows[about].test["status"] == "complete":
            bouts.setdefault(main, []).append(about)
    return {
        pk: judge(
            rows[pk],
            [rows[bout] for bout in bouts.get(pk, [])],
            settings,
            snapshot.tables,
            own_rule_sets=snapshot.own_rule_sets,
            cohort_rules=snapshot.cohort_rules,
        )
        for pk, settings in snapshot.settings.items()
        if rows[pk].test["status"] == "complete"
    }


def record(
    store: Store,
    actor: str,
    target: Target,
    edit: Edit | Callable[[Session], Edit],
    *,
    answer: Callable[[Transaction, int | None], T],
    claim: Claim | None = None,
    check: Callable[[Session], object] | None = None,
) -> T:
    """Make an edit and keep every analysis that rests on it true, in one write transaction.

    Parameters
    ----------
    store : Store
    actor : str
        Who writes.
    target : Target
        Where; with a `revision` the edit is made on that state or not at all.
    edit : Edit or callable
        A callable makes the edit from the snapshot it will be made on.
    answer : callable
        Takes the open transaction and the key of the test; notes the changes for the feed and makes the answer.
    claim : Claim, optional
        Of an Idempotency-Key.
    check : callable, optional
        Raises where what is under the subject does not let the edit be made. It looks at the snapshot: the edit is made on the
        same revision of the subject, or not at all.

    Raises
    ------
    StaleRevision
        The record changed since `target.revision`, or kept changing.
    """

    def attempt() -> T:
        with store.read() as session:
            if check is not None:
                check(session)
            made = edit(session) if callable(edit) else edit
            if made.new_test:
                # Before it is judged: the analysis of a main test names its verification bout.
                made = replace(made, test={"public_id": new_public_id(), **made.test})
            snapshot = _snapshot(session, target, made)
            if target.revision is not None and snapshot.revision != target.revision:
                raise StaleRevision(
                    "The record has changed since you read it; read it again and repeat your change."
                )
            judged = _judge_edited(snapshot, target, made, lambda key: queries.family_of(session, key))
        with store.write(actor, claim) as transaction:
            bump(transaction.session, target.subject_pk, expected=snapshot.revision)
            transaction.before = _before(transaction.session, target, made)
            test_pk = _apply(transaction, target, made)
            if _moves_charts(transaction.session, target, made):
                count_change(transaction.session)
            for pk, one in judged.items():
                keep(
                    transaction.session,
                    test_pk if pk == NEW_TEST else pk,
                    one,
                    snapshot.site_revision,
                    new=pk == NEW_TEST,
                )
            if made.test.get("status") == "void" and test_pk is not None:
                queries.drop_analysis(transaction.session, test_pk)
            if target.visit_pk is not None and made.visit:
                queries.refresh_visit_results(transaction.session, target.visit_pk)
            return answer(transaction, test_pk)

    return on_fresh_snapshot(attempt, pinned=target.revision is not None)


def keep(
    session: Session, test_pk: int | None, judged: Judged, site_revision: int, *, new: bool = False
) -> None:
    """Store an analysis and its rows of the results index, in the place of what there is but for a new test."""
    assert test_pk is not None  # noqa: S101 a new test has its key by now
    rules = judged.settings.effort_rules
    if rules not in RULE_SETS and all(one.id != rules for one in own_rule_sets(session)):
        raise StaleRevision(f"The rule set of effort {rules!r} was deleted in the meantime; choose another.")
    document = judged.document
    if document["test_id"] is None:
        document = {
            **document,
            "test_id": session.scalar(sa.select(ExerciseTest.public_id).where(ExerciseTest.id == test_pk)),
        }
    if not new:
        queries.drop_analysis(session, test_pk)
    queries.write_analysis(
        session,
        test_pk,
        version=ANALYSIS_VERSION,
        input_hash=judged.input_hash,
        site_revision=site_revision,
        settings=judged.settings.as_dict(),
        document=document,
    )
    queries.write_results(session, test_pk, judged.results)


def checked_settings(
    make: Callable[[], AnalysisSettings],
    changed: Iterable[str],
    own_sets: Sequence[RuleSet],
    *,
    where: str,
) -> AnalysisSettings:
    """Settings of an analysis, with everything that they name known.

    Parameters
    ----------
    make : callable
        Makes them.
    changed : iterable of str
        Names of the settings that a request changes.
    own_sets : sequence of RuleSet
        The site's rule sets of effort.
    where : str
        What the places of errors begin with.

    Raises
    ------
    InvalidContent
        A rule set, rule or method that there is not, or a combination that cannot be.
    """
    try:
        settings = make()
    except ValueError as error:
        raise InvalidContent(
            str(error), tuple(Place(f"{where}.{name}", str(error)) for name in changed)
        ) from error
    check_settings(settings, own_sets, where=where)
    return settings


CHARTS = (
    "uptake",
    "v_slope",
    "ventilatory_equivalents",
    "heart_rate",
    "rer",
    "substrate",
    "lactate",
    "all_curves",
)


def chart_of(store: Store, test_pk: int, chart: str, display: Display = NEUTRAL) -> dict[str, Any]:
    """The specification of one of the `CHARTS` of a test, loads in the unit of display."""
    document = analysis_of(store, test_pk, {}, where="query")
    with store.read() as session:
        return chart_from(session, test_pk, document, chart, display)


def chart_from(
    session: Session, test_pk: int, document: Mapping[str, Any], chart: str, display: Display = NEUTRAL
) -> dict[str, Any]:
    """The same from an analysis that is at hand, such as a signed one."""
    from service.charts.all_curves import all_curves_spec
    from service.charts.heart_rate import heart_rate_spec
    from service.charts.lactate import lactate_spec
    from service.charts.rer import rer_spec
    from service.charts.substrate import substrate_spec
    from service.charts.uptake import columns_of, uptake_spec
    from service.charts.v_slope import v_slope_spec
    from service.charts.ventilatory_equivalents import ventilatory_equivalents_spec

    if chart == "lactate":
        return lactate_spec(document["lactate"])
    if chart == "substrate":
        return substrate_spec(document["energy"])
    series = queries.read_series(session, test_pk)
    columns = columns_of(series, [one["seq"] for one in document.get("breath_care", {}).get("left_out", ())])
    if chart in {"uptake", "all_curves"}:
        with_loads = uptake_spec if chart == "uptake" else all_curves_spec
        return with_loads(document, display.columns(columns), quantities=display.quantities)
    of_series: dict[str, Callable[[Mapping[str, Any], Mapping[str, Sequence[Any]]], dict[str, Any]]] = {
        "v_slope": v_slope_spec,
        "ventilatory_equivalents": ventilatory_equivalents_spec,
        "heart_rate": heart_rate_spec,
        "rer": rer_spec,
    }
    return of_series[chart](document, columns)


@dataclass(frozen=True, slots=True)
class BreathMarks:
    """What the rule of an analysis says of single breaths.

    Attributes
    ----------
    rule : str
    reasons : mapping of int to str
        By row, for every row that it leaves out.
    """

    rule: str
    reasons: Mapping[int, str]


def breath_marks(session: Session, test_pk: int) -> BreathMarks:
    """The breaths that the analysis of a test leaves out by its rule: as stored, else as it would be now."""
    stored = queries.read_analysis(session, test_pk)
    if stored is not None and stored.analysis_version == ANALYSIS_VERSION:
        care = json.loads(stored.document)["breath_care"]
        return BreathMarks(care["rule"], {one["seq"]: one["reason"] for one in care["left_out"]})
    rows = queries.load_tests(session, [test_pk])[test_pk]
    if not len(rows.series):
        return BreathMarks(NO_RULE, {})
    standing = standing_choices(session, rows.subject["id"])
    settings = standing.settings(
        rows.subject["id"], test_day(rows), {} if stored is None else stored.settings
    )
    test, _ = with_computed_uptake(to_input(rows))
    _, found = with_breaths_left_out(test, find_marks(test), settings.aberrant_breaths)
    return BreathMarks(found.rule, found.left_out)


def analysis_of(
    store: Store, test_pk: int, changed_settings: Mapping[str, Any], *, where: str
) -> dict[str, Any]:
    """The analysis of a test: stored where it is complete, else computed from what there is.

    `changed_settings` hold for this answer only. Where the site has changed its reference tables since the
    analysis was stored, the standing is worked out anew. A shift of the test's devices is told on reading too: it rests
    on measurements outside the subject, so it is never part of what is stored.
    """
    with store.read() as session:
        warnings = _shift_findings(session, test_pk)
        stored = queries.read_analysis(session, test_pk)
        subject_pk, day = queries.when_tested(session, test_pk)
        standing = standing_choices(session, subject_pk)
        now_chosen = standing.settings(subject_pk, day, {} if stored is None else stored.settings)
        since = [] if stored is None else differing(stored.settings, now_chosen)
        if (
            stored is not None
            and not changed_settings
            and stored.site_revision == queries.site(session).revision
        ):
            return _with(warnings, {**json.loads(stored.document), "settings_changed_since": since})
        own_sets = own_rule_sets(session)
        base = now_chosen if stored is None else AnalysisSettings(**stored.settings)
        rows = queries.load_tests(session, [test_pk])[test_pk]
        bouts = queries.verifications_of(session, [test_pk]).get(test_pk, [])
        bout_rows = queries.load_tests(session, bouts)
        tables = queries.norm_tables(session)
    settings = checked_settings(
        lambda: requested_of(base, changed_settings), changed_settings, own_sets, where=where
    )
    provisional = rows.test["status"] in {"planned", "recording"}
    judged = judge(
        rows,
        [bout_rows[bout] for bout in bouts],
        settings,
        tables,
        own_rule_sets=own_sets,
        cohort_rules=standing.of_cohorts.get(subject_pk, ()),
        provisional=provisional,
    )
    if stored is not None and not changed_settings:
        return _with(
            warnings,
            {
                **json.loads(stored.document),
                "ranks": judged.document["ranks"],
                "settings_changed_since": since,
            },
        )
    return _with(warnings, judged.document)


def _shift_findings(session: Session, test_pk: int) -> list[dict[str, Any]]:
    analyser, ergometer, started_at, offset = session.execute(
        sa.select(ExerciseTest.analyser, ExerciseTest.ergometer, Visit.started_at, Visit.utc_offset_minutes)
        .join(Visit, Visit.id == ExerciseTest.visit_id)
        .where(ExerciseTest.id == test_pk)
    ).one()
    on = tested_on(analyser, ergometer, queries.local_date(started_at, offset))
    return [one.as_dict() for one in shift_warnings(session, [on])[0]]


def _with(warnings: list[dict[str, Any]], document: dict[str, Any]) -> dict[str, Any]:
    """A document with what is told on reading."""
    return {**document, "findings": [*document["findings"], *warnings]} if warnings else document


def reanalyse(
    store: Store,
    actor: str,
    target: Target,
    settings: Mapping[str, Any],
    *,
    answer: Callable[[Transaction, dict[str, Any], list[dict[str, Any]]], T],
    claim: Claim | None = None,
) -> T:
    """Analyse a complete test anew with these settings, store it, and say what changed.

    Parameters
    ----------
    settings : mapping
        Asked for this test, beside what was asked before; None takes a wish back. What nobody asked for the test is as the
        cohort and the site have it now.
    answer : callable
        Takes the open transaction, the document and the list of changed quantities.
    """
    assert target.test_pk is not None  # noqa: S101 the address names a test
    test_pk = target.test_pk

    def attempt() -> T:
        anew = _judged_anew(store, target, settings)
        with store.write(actor, claim) as transaction:
            bump(transaction.session, target.subject_pk, expected=anew.snapshot.revision)
            keep(transaction.session, test_pk, anew.judged, anew.snapshot.site_revision)
            return answer(transaction, anew.judged.document, anew.changed)

    return on_fresh_snapshot(attempt, pinned=target.revision is not None)


def analyse_anew(
    store: Store,
    actor: str,
    target: Target,
    test_id: str,
    settings: Mapping[str, Any],
    *,
    respond: Callable[[dict[str, Any], list[dict[str, Any]]], T],
    claim: Claim | None = None,
) -> T:
    """Analyse a complete test anew as it was asked for, store it, and note it for the feed.

    Parameters
    ----------
    settings : mapping
        As of `reanalyse`.
    respond : callable
        Takes the document and the list of changed quantities; makes the answer before the commit.

    Raises
    ------
    Conflict
        The test is not complete.
    StaleRevision
    InvalidContent
    """
    with store.read() as session:
        status = session.scalar(sa.select(ExerciseTest.status).where(ExerciseTest.id == target.test_pk))
    if status != "complete":
        raise Conflict(f"The test is {status}; only a complete test has a stored analysis.")

    def answer(transaction: Transaction, document: dict[str, Any], changed: list[dict[str, Any]]) -> T:
        transaction.changed(
            "analysis",
            test_id,
            action="changed",
            subject_id=target.subject_id,
            payload={"settings": dict(settings), "changed": changed},
        )
        return transaction.answer(respond(document, changed), subject_pk=target.subject_pk)

    return reanalyse(store, actor, target, settings, answer=answer, claim=claim)


@dataclass(frozen=True, slots=True)
class _Anew:
    snapshot: _Snapshot
    before: dict[str, Any] | None
    judged: Judged
    changed: list[dict[str, Any]]


def _judged_anew(store: Store, target: Target, settings: Mapping[str, Any]) -> _Anew:
    """A complete test as it would be judged with these settings, and what that changes."""
    assert target.test_pk is not None  # noqa: S101 the address names a test
    test_pk = target.test_pk
    with store.read() as session:
        snapshot = _snapshot(session, target, Edit(test={"status": "complete"}))
        if target.revision is not None and snapshot.revision != target.revision:
            raise StaleRevision(
                "The record has changed since you read it; read it again and repeat your request."
            )
        before = queries.indexed(session, test_pk)
        standing = standing_choices(session, target.subject_pk)
        stored = queries.read_analysis(session, test_pk)
        document = None if stored is None else json.loads(stored.document)
        asked_before = {} if stored is None else stored.settings
    rows = snapshot.rows[test_pk]
    used = checked_settings(
        lambda: standing.asking(target.subject_pk, test_day(rows), kept_requests(asked_before, settings)),
        settings,
        snapshot.own_rule_sets,
        where="body.settings",
    )
    judged = judge(
        rows,
        [snapshot.rows[bout] for bout in snapshot.bouts.get(test_pk, [])],
        used,
        snapshot.tables,
        own_rule_sets=snapshot.own_rule_sets,
        cohort_rules=snapshot.cohort_rules,
    )
    return _Anew(snapshot, document, judged, _changed(before, judged))


def _changed(before: Mapping[str, float], judged: Judged) -> list[dict[str, Any]]:
    """What stands otherwise in the results index than before."""
    after = {row["quantity"]: row["value"] for row in judged.results}
    return [
        {"quantity": quantity, "before": before.get(quantity), "after": after.get(quantity)}
        for quantity in sorted({*before, *after})
        if before.get(quantity) != after.get(quantity)
    ]


@dataclass(frozen=True, slots=True)
class Foreseen:
    """What a change would make of one complete test; nothing of it is stored.

    Attributes
    ----------
    before, after : dict
        The analysis as stored, and as it would be.
    changed : list of dict
        ``quantity``, ``before``, ``after`` of every result that would be another.
    """

    before: dict[str, Any]
    after: dict[str, Any]
    changed: list[dict[str, Any]]


def foresee(store: Store, target: Target, edit: Edit | Callable[[Session], Edit]) -> list[Foreseen]:
    """What an edit would make of every complete test that rests on it, the one it is about first.

    Parameters
    ----------
    store : Store
    target : Target
        With a `revision` the record is still in that state, or nothing is answered.
    edit : Edit or callable

    Raises
    ------
    StaleRevision
    """
    with store.read() as session:
        made = edit(session) if callable(edit) else edit
        snapshot = _snapshot(session, target, made)
        if target.revision is not None and snapshot.revision != target.revision:
            raise StaleRevision(
                "The record has changed since you read it; read it again and repeat your change."
            )
        judged = _judge_edited(snapshot, target, made, lambda key: queries.family_of(session, key))
        stored = {pk: queries.read_analysis(session, pk) for pk in judged}
        before = {pk: queries.indexed(session, pk) for pk in judged}
    return [
        Foreseen(json.loads(one.document), judged[pk].document, _changed(before[pk], judged[pk]))
        for pk, one in sorted(stored.items(), key=lambda pair: pair[0] != target.test_pk)
        if one is not None
    ]


def foresee_settings(store: Store, target: Target, settings: Mapping[str, Any]) -> Foreseen:
    """What other settings would make of a complete test.

    Parameters
    ----------
    store : Store
    target : Target
    settings : mapping
        As of `reanalyse`.

    Raises
    ------
    StaleRevision
    InvalidContent
        A rule set, rule or method that there is not, or a combination that cannot be.
    """
    anew = _judged_anew(store, target, settings)
    assert anew.before is not None  # noqa: S101 a complete test has an analysis
    return Foreseen(anew.before, anew.judged.document, anew.changed)
