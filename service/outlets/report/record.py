"""The report of a test for the record: everything that reporting guidance asks, in its order, missing or not."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from service.analysis.references import citation
from service.methods.catalogue import METHODS
from service.outlets import phrases
from service.outlets.display import Display
from service.outlets.report.document import (
    NOT_RECORDED,
    Block,
    Bullets,
    Column,
    Fact,
    Facts,
    Report,
    Section,
    Table,
    Words,
)
from service.outlets.report.material import (
    Part,
    Person,
    Sheet,
    TestMaterial,
    clock,
    in_words,
    sentence,
    shown,
    told,
    who,
)
from service.outlets.report.parts import (
    NO_POINT,
    conclusion,
    effort_in_words,
    error_in_words,
    facts,
    method,
    points_table,
    quality,
    words_of_the_latest,
)
from service.outlets.text import (
    CRITERIA,
    METHODS_IN_SENTENCES,
    THRESHOLD_METHODS,
    of_rule,
    plateau_words,
    rank_lines,
    sources_of,
    verdict_lines,
    where_the_peak_is,
    with_names,
)
from service.quantities import QUANTITIES

_THRESHOLDS = {
    "vt1": "First ventilatory",
    "vt2": "Second ventilatory",
    "lt": "Lactate",
}
#: In the place of what a key may not see.
NOT_SHOWN = "not shown to this key"
_MET = {True: "met", False: "not met", None: "not assessable"}
_UPTAKES = ("vo2_peak_ml_kg_min", "vo2_peak_ml_min")


def record_report(material: TestMaterial, sheet: Sheet) -> Report:
    """The report of a test for the record.

    Parameters
    ----------
    material : TestMaterial
    sheet : Sheet

    Returns
    -------
    Report
        As many pages as it takes.
    """
    display, analysis = sheet.display, material.analysis
    label = analysis["peak"]["label"] or "VO2peak"
    standing = list(rank_lines(analysis["ranks"]))
    verdict = [line.strip() for line in verdict_lines(analysis, label)]
    names = material.names
    return Report(
        title="Exercise test",
        about=tuple(_about(material, display)),
        lead=tuple(display.said(with_names(line, names)) for line in verdict if line not in standing[1:]),
        numbers=(),
        figures=(),
        sections=(
            _person(material, display),
            _reason_and_history(material, display),
            _protocol_and_equipment(material, display),
            _calibration_and_room(material, display),
            _course(material, display),
            _effort(analysis, display),
            _peak(material, display),
            _thresholds(material, display),
            _heart(material, display),
            _ventilation(material, display),
            _stages(material, display),
            _ecg(material),
            quality(analysis["findings"], display, names),
            *_cautions_of_test(analysis, display),
            _standing([with_names(line, names) for line in standing], display),
            _comparison(material, display),
            conclusion(material, display),
            *([Section("Charts", tuple(material.figures))] if material.figures else []),
            method(analysis, _sources(material), display),
        ),
        cautions=tuple(analysis["cautions"]),
        reference=f"Test {material.test['id']}  \N{MIDDLE DOT}  printed {display.day(sheet.printed)}  "
        f"\N{MIDDLE DOT}  {sheet.program}",
        printed=sheet.printed,
        paper=sheet.paper,
    )


def _about(material: TestMaterial, display: Display) -> Iterator[str]:
    yield who(material.person, display)
    protocol = material.protocol
    what = [display.moment(material.at), material.test["mode"]]
    what += [protocol["name"]] if protocol is not None else []
    yield ", ".join(what)
    if material.analysis["provisional"]:
        yield f"The test is {material.test['status']}. {phrases.SO_FAR}"
    if material.frozen is not None:
        yield (
            f"Made from the analysis that was frozen when the conclusion was signed by {material.frozen['author']} on "
            f"{display.moment(material.frozen['signed_at'])} UTC; what was recorded of visit and test stands as it is today."
        )


def _person(material: TestMaterial, display: Display) -> Section:
    person, visit = material.person, material.visit
    source = visit["body_mass_source"]
    return Section(
        "Person and visit",
        (
            Facts(
                facts(
                    ("Code", person.code),
                    ("Name", told(person.name) if person.identity_shown else NOT_SHOWN),
                    ("Sex", told(person.sex)),
                    (
                        "Age",
                        NOT_RECORDED
                        if person.age_years is None
                        else f"{display.figure(int(person.age_years))} years",
                    ),
                    ("Born", _born(person, display)),
                    ("Height", shown(display, visit["height_cm"], "height_cm")),
                    (
                        "Body mass",
                        shown(display, visit["body_mass_kg"], "body_mass_kg"),
                        "" if visit["body_mass_kg"] is None else f"({source or 'source not recorded'})",
                    ),
                    ("Test", material.test["id"]),
                    ("Day and time", display.moment(material.at)),
                    ("Place", told(visit["site"])),
                    ("Tester", told(visit["tester"])),
                    ("Round", told(visit["round"])),
                )
            ),
        ),
    )


def _born(person: Person, display: Display) -> str:
    if not person.identity_shown:
        return NOT_SHOWN
    return NOT_RECORDED if person.birth_date is None else display.day(person.birth_date)


def _reason_and_history(material: TestMaterial, display: Display) -> Section:
    visit = material.visit
    hours = [
        (label, shown(display, visit[name], name))
        for label, name in (
            ("Last meal before", "hours_since_meal"),
            ("Last caffeine before", "hours_since_caffeine"),
            ("Last exercise before", "hours_since_exercise"),
            ("Haemoglobin", "haemoglobin_g_dl"),
        )
    ]
    pre_test = visit["pre_test"]
    consent = pre_test["consent_given_at"]
    medications = tuple(_medication(one, display) for one in visit["medications"])
    answers = tuple(f"{one['question']}: {one['answer']}" for one in pre_test["answers"])
    return Section(
        "Reason, history and medication",
        (
            Facts(
                (
                    Fact("Reason for test", told(material.test["reason_for_test"])),
                    Fact("History", told(visit["history"])),
                    Fact("Notes of the visit", told(visit["notes"])),
                    Fact("Medication", NOT_RECORDED if not medications else medications[0]),
                    *(Fact("", one) for one in medications[1:]),
                    Fact("Questions before", NOT_RECORDED if not answers else answers[0]),
                    *(Fact("", one) for one in answers[1:]),
                ),
                long=True,
            ),
            Facts(
                facts(
                    *hours,
                    ("Consent", NOT_RECORDED if consent is None else f"{_moment(consent, display)} UTC"),
                    ("Cleared by", told(pre_test["cleared_by"])),
                    ("Cautions read by", told(material.test["cautions_acknowledged_by"])),
                )
            ),
        ),
    )


def _moment(value: datetime | str, display: Display) -> str:
    return display.moment(datetime.fromisoformat(value) if isinstance(value, str) else value)


def _medication(one: Mapping[str, Any], display: Display) -> str:
    dose = one.get("dose") or "dose not recorded"
    taken = one.get("taken_at")
    last = "last dose not recorded" if taken is None else f"last dose {_moment(taken, display)}"
    limits = "limits heart rate" if one["limits_heart_rate"] else "does not limit heart rate"
    return f"{one['name']}, {dose}, {last}, {limits}"


def _protocol_and_equipment(material: TestMaterial, display: Display) -> Section:
    test, protocol = material.test, material.protocol
    fio2 = test["fio2_fraction"]
    lactate = [told(test["lactate_analyser"]), in_words(test["lactate_sample_site"])]
    return Section(
        "Protocol and equipment",
        (
            Facts(
                facts(
                    ("Protocol", NOT_RECORDED if protocol is None else protocol["name"]),
                    (
                        "Kind",
                        f"{test['mode']}, {material.analysis.get('shape') or test['shape'] or 'shape not recorded'}",
                    ),
                    ("Purpose", test["purpose"]),
                    (
                        "Verifies test",
                        told(test["verifies_test_id"]) if test["purpose"] == "verification" else "none",
                    ),
                    ("Ergometer", told(test["ergometer"])),
                    ("Gas analyser", told(test["analyser"])),
                    ("Interface", told(test["interface"])),
                    ("Posture", told(test["posture"])),
                    ("Handrail held", told(test["handrail_support"])),
                    (
                        "Inspired oxygen",
                        NOT_RECORDED if fio2 is None else f"{display.figure(100 * fio2, 2)} %",
                    ),
                    (
                        "Lactate analyser",
                        lactate[0],
                        "" if lactate == [NOT_RECORDED] * 2 else f"(taken from: {lactate[1]})",
                    ),
                    ("Data file", told(test["source_name"])),
                )
            ),
        ),
    )


def _calibration_and_room(material: TestMaterial, display: Display) -> Section:
    visit, judged = material.visit, material.analysis["calibrations"]
    room = Facts(
        facts(
            *(
                (label, shown(display, visit[name], name))
                for label, name in (
                    ("Barometric pressure", "barometric_pressure_mmhg"),
                    ("Room temperature", "temperature_c"),
                    ("Relative humidity", "relative_humidity_percent"),
                    ("Altitude", "altitude_m"),
                )
            )
        )
    )
    blocks: list[Block] = [room]
    if material.calibrations:
        blocks.append(
            Table(
                "Calibrations",
                (
                    Column("When"),
                    Column("What"),
                    Column("Expected", figures=True),
                    Column("Measured", figures=True),
                    Column("Device", share=2),
                ),
                tuple(
                    (
                        one["when"],
                        one["kind"],
                        f"{display.significant(one['expected'], 5)} {one['unit']}",
                        f"{display.significant(one['measured'], 5)} {one['unit']}",
                        told(one["device"]),
                    )
                    for one in material.calibrations
                ),
            )
        )
        signed_without = material.frozen is not None and not judged["checks"]
        words = "The signed analysis did not have them." if signed_without else _judged(judged, display)
        blocks.append(Words(words, "quiet"))
    else:
        blocks.append(Facts((Fact("Calibration", NOT_RECORDED),)))
    return Section("Calibration and room", tuple(blocks))


def _judged(calibrations: Part, display: Display) -> str:
    off = [one for one in calibrations["checks"] if not one["within"]]
    moved = [one for one in calibrations["drifts"] if not one["within"]]
    if not calibrations["checks"] and not calibrations["drifts"]:
        return calibrations["reason"] or "The calibrations could not be judged."
    told_of = [
        f"{one['sensor']} {one['when']} the test off by {display.significant(one['off'], 2)} "
        f"(limit {display.significant(one['limit'], 2)})"
        for one in off
    ]
    told_of += [
        f"{one['sensor']} moved by {display.significant(one['drift'], 2)} over the test" for one in moved
    ]
    return sentence("; ".join(told_of)) if told_of else "All within the published limits."


def _course(material: TestMaterial, display: Display) -> Section:
    test, maxima = material.test, material.analysis["maxima"]
    symptoms = [f"{_when(one)}: {one['symptoms']}" for one in material.notes if one["symptoms"]]
    ratings = [
        f"{words} {display.figure(highest)} ({scale})"
        for words, name in (("overall", "rpe"), ("legs", "rpe_legs"), ("breathing", "rpe_breathing"))
        for highest, scale in [_highest_rating(material.notes, name)]
        if highest is not None
    ]
    loads = [
        shown(display, maxima.get(name), quantity)
        for name, quantity in (("work_rate_w", "work_rate_peak_w"), ("speed_km_h", "speed_peak_km_h"))
        if maxima.get(name) is not None
    ]
    grade = material.analysis["peak"].get("grade_percent")
    if loads and grade is not None and maxima.get("speed_km_h") is not None:
        loads.append(f"at a grade of {shown(display, grade, 'grade_percent')} in the window of the peak")
    stop = in_words(test["stop_reason"])
    remarks = [
        Fact("Notes at the stages", f"{_when(one)}: {one['note']}") for one in material.notes if one["note"]
    ]
    return Section(
        "Course of the test",
        (
            Facts(
                facts(
                    ("Duration of exercise", clock(maxima.get("exercise_duration_s"))),
                    ("Peak load", ", ".join(loads) or NOT_RECORDED),
                    ("Reason for stopping", stop),
                    ("Rating at the end", "; ".join(ratings) or NOT_RECORDED),
                )
            ),
            Facts(
                (
                    Fact("What was said of it", told(test["stop_note"])),
                    Fact("Symptoms", "; ".join(symptoms) or NOT_RECORDED),
                    *remarks,
                    Fact("Notes of the test", told(test["notes"])),
                ),
                long=True,
            ),
        ),
    )


def _when(note: Part) -> str:
    where = [] if note["phase"] is None else [in_words(note["phase"])]
    where += [] if note["stage"] is None else [f"stage {note['stage']}"]
    where += [] if note["time_s"] is None else [clock(note["time_s"])]
    words = ", ".join(where) or "time not recorded"
    return f"{words[0].upper()}{words[1:]}"


def _highest_rating(notes: Sequence[Part], name: str) -> tuple[float | None, str]:
    found = [(one[name], one["rpe_scale"] or "scale not recorded") for one in notes if one[name] is not None]
    return max(found, default=(None, ""))


def _effort(analysis: Part, display: Display) -> Section:
    effort, plateau = analysis["effort"], analysis["plateau"]
    rows = tuple(
        (
            CRITERIA.get(one["criterion"], in_words(one["criterion"])),
            _number(one["observed"], one["unit"], display),
            _number(one["threshold"], one["unit"], display),
            _MET[one["met"]] + ("" if one["counts"] else " (never counted)"),
            display.said(one["reason"] or ""),
        )
        for one in effort["criteria"]
    )
    rules = tuple(
        display.said(
            f"Plateau, {plateau_words(rule)}{'' if rule['primary'] else ' (shown, not counted)'}: {of_rule(rule)}"
        )
        for rule in plateau["rules"]
        if rule["primary"] or rule["verdict"] != "not_assessable"
    )
    name = effort.get("rule_set_name") or in_words(effort["rule_set"])
    blocks: list[Block] = [
        Words(display.said(_verdict(effort))),
        Table(
            "Effort criteria",
            (
                Column("Criterion", share=2.2),
                Column("Observed", figures=True, share=1.1),
                Column("Against", figures=True, share=1.1),
                Column("Result", share=1.3),
                Column("Why", share=3.2),
            ),
            rows,
        ),
    ]
    if rules:
        blocks.append(Bullets(rules, "quiet"))
    if effort["verification"] is not None:
        blocks.append(Words(display.said(f"Verification bout: {effort['verification']['reason']}"), "quiet"))
    blocks.append(Words(f"Rule set: {name}. {phrases.NO_PLATEAU}", "quiet"))
    return Section("Effort, and what it rests on", tuple(blocks))


def _verdict(effort: Part) -> str:
    """The verdict with its reason; the words of a plateau say it already."""
    reason = "" if effort["verdict"] == "plateau" else effort.get("reason") or ""
    return f"{sentence(effort_in_words(effort['verdict']))} {reason}".strip()


def _number(value: float | None, unit: str | None, display: Display) -> str:
    if value is None:
        return "\N{EN DASH}"
    of_a_scale = "on " if unit in {"6-20", "0-10"} else ""
    return f"{display.significant(value, 3)} {of_a_scale}{unit or ''}".rstrip()


def predicted_peak(analysis: Part) -> Part | None:
    """The predicted peak uptake by the first equation that applies, per body mass before absolute."""
    return next(
        (
            one
            for quantity in _UPTAKES
            for one in analysis["predicted"]
            if one["quantity"] == quantity and one["applies"] and one["value"] is not None
        ),
        None,
    )


def _of_method(one: Part) -> str:
    known = METHODS.get(one["method"])
    return in_words(one["method"]) if known is None else known.label


def _predicted_in_words(one: Part, display: Display) -> str:
    return f"{shown(display, one['value'], one['quantity'])} by {_of_method(one)}"


def _peak(material: TestMaterial, display: Display) -> Section:
    analysis, peak = material.analysis, material.analysis["peak"]
    reasons = peak.get("reasons") or {}
    named = predicted_peak(analysis)
    why = "" if named is not None else _why_not_predicted(analysis)
    basis = peak.get("basis")
    blocks: list[Block] = [
        Facts(
            facts(
                (
                    f"{peak['label'] or 'VO2peak'}, absolute",
                    shown(display, peak["vo2_ml_min"], "vo2_peak_ml_min"),
                    "" if basis in {None, "measured"} else f"({basis})",
                ),
                (
                    f"{peak['label'] or 'VO2peak'}, relative",
                    shown(display, peak["vo2_ml_kg_min"], "vo2_peak_ml_kg_min"),
                    reasons.get("vo2_ml_kg_min", "") if peak["vo2_ml_kg_min"] is None else "",
                ),
                ("METs", shown(display, peak.get("mets"), "mets_peak")),
                ("RER at the peak", shown(display, peak.get("rer"), "rer")),
                ("Highest RER", shown(display, analysis["maxima"].get("rer"), "rer_max")),
                ("Load at the peak", _load(peak, display)),
            )
        ),
        Facts(
            (
                Fact(
                    "Percent predicted",
                    "none"
                    if named is None
                    else f"{_percent(named['percent_of_predicted'], display)} of {_predicted_in_words(named, display)}",
                    why if named is None else f"Source: {citation(named['source'])}",
                ),
                Fact("How it was averaged", where_the_peak_is(peak) if basis == "measured" else told(basis)),
            ),
            long=True,
        ),
    ]
    estimates = (analysis.get("estimates") or {}).get("items") or ()
    for one in estimates:
        value = one["value_ml_kg_min"]
        error = one["standard_error_ml_kg_min"]
        spread = (
            "no standard error published"
            if error is None
            else f"standard error {shown(display, error, 'vo2_peak_ml_kg_min')}"
        )
        words = one["reason"] if value is None else f"{shown(display, value, 'vo2_peak_ml_kg_min')}, {spread}"
        blocks.append(Words(display.said(f"Estimate by {one['label']}: {words or NOT_RECORDED}"), "quiet"))
    blocks += [
        Words(
            f"{QUANTITIES[one['quantity']].label} {display.quantity(one['value'], one['quantity'])} was reported; "
            f"{one['method'] or 'method not recorded'}; source: {one['source']}",
            "quiet",
        )
        for one in material.reported
    ]
    return Section("Peak oxygen uptake", tuple(blocks))


def _why_not_predicted(analysis: Part) -> str:
    reasons = dict.fromkeys(
        one["reason"] for one in analysis["predicted"] if one["quantity"] in _UPTAKES and one["reason"]
    )
    return next(iter(reasons), "")


def _load(part: Part, display: Display) -> str:
    loads = [
        shown(display, part[name], name)
        for name in ("work_rate_w", "speed_km_h", "grade_percent")
        if part.get(name) is not None
    ]
    return ", ".join(loads) or NOT_RECORDED


def _thresholds(material: TestMaterial, display: Display) -> Section:
    analysis = material.analysis
    found = [
        one
        for one in analysis["thresholds"]
        if one["vo2_ml_min"] is not None or one.get("work_rate_w") is not None
    ]
    named = predicted_peak(analysis)
    predicted = None if named is None else _in_ml_min(named, material.visit["body_mass_kg"])
    blocks: list[Block] = []
    if found:
        rows = tuple(
            (
                _THRESHOLDS[one["threshold"]],
                display.said(THRESHOLD_METHODS[one["method"]]),
                display.number(one["vo2_ml_min"], "vt1_vo2_ml_min"),
                _percent(one["percent_of_peak"], display),
                _percent(
                    None
                    if predicted is None or one["vo2_ml_min"] is None
                    else 100 * one["vo2_ml_min"] / predicted,
                    display,
                ),
                display.number(one["heart_rate_bpm"], "heart_rate_bpm"),
                _threshold_load(one, display),
            )
            for one in found
        )
        blocks.append(
            Table(
                "Thresholds",
                (
                    Column("Threshold", share=1.7),
                    Column("Method", share=2.2),
                    Column("VO2, mL/min", figures=True, share=1.1),
                    Column("% of peak", figures=True),
                    Column("% of predicted peak", figures=True, share=1.3),
                    Column("Heart rate, beats/min", figures=True, share=1.3),
                    Column("Load", figures=True, share=1.3),
                ),
                rows,
            )
        )
        blocks.append(
            Words(
                f"Predicted peak: {'none' if named is None else _predicted_in_words(named, display)}"
                ". Work rates are corrected for the lag of uptake; check them at constant load.",
                "quiet",
            )
        )
    missing = [
        f"{_THRESHOLDS[name]} threshold: not found. {why}" for name, why in _missing_thresholds(analysis)
    ]
    if missing:
        blocks.append(
            Bullets(tuple(display.said(with_names(line, METHODS_IN_SENTENCES)) for line in missing), "quiet")
        )
    return Section("Thresholds", tuple(blocks))


def _in_ml_min(named: Part, body_mass_kg: float | None) -> float | None:
    if named["quantity"] == "vo2_peak_ml_min":
        return float(named["value"])
    return None if body_mass_kg is None else named["value"] * body_mass_kg


def _percent(value: float | None, display: Display) -> str:
    return "\N{EN DASH}" if value is None else f"{display.figure(value)} %"


def _threshold_load(one: Part, display: Display) -> str:
    for name, quantity in (
        ("work_rate_lag_corrected_w", "work_rate_w"),
        ("work_rate_w", "work_rate_w"),
        ("speed_km_h", "speed_km_h"),
    ):
        if one.get(name) is not None:
            return display.quantity(one[name], quantity)
    return "\N{EN DASH}"


def _missing_thresholds(analysis: Part) -> Iterator[tuple[str, str]]:
    """The thresholds without a value that counts, each with why."""
    for name in ("vt1", "vt2"):
        of_it = [one for one in analysis["thresholds"] if one["threshold"] == name]
        if any(one["vo2_ml_min"] is not None and one["method"] in {"consensus", "tester"} for one in of_it):
            continue
        why = next((one["reason"] for one in of_it if one["method"] == "consensus" and one["reason"]), None)
        yield name, why or analysis["reasons"].get("thresholds") or ""
    lactate = analysis.get("lactate") or {}
    if not any(one["vo2_ml_min"] is not None for one in analysis["thresholds"] if one["threshold"] == "lt"):
        yield "lt", lactate.get("reason") or ""


def _heart(material: TestMaterial, display: Display) -> Section:
    analysis, visit = material.analysis, material.visit
    maxima, reserves, recovery = analysis["maxima"], analysis["reserves"], analysis["recovery"]
    why = reserves.get("reasons") or {}
    percent = reserves.get("heart_rate_percent_of_predicted")
    pressure = analysis["blood_pressure"]
    after = [one for one in pressure.get("readings") or () if one["phase"] == "recovery"]
    o2_pulse = next(
        (
            one
            for one in reserves.get("predicted") or ()
            if one["quantity"] == "o2_pulse_peak_ml_beat" and one["percent_of_predicted"] is not None
        ),
        None,
    )
    blocks: list[Block] = [
        Facts(
            facts(
                (
                    "Resting heart rate",
                    shown(display, visit["resting_heart_rate_bpm"], "resting_heart_rate_bpm"),
                ),
                (
                    "Highest heart rate",
                    shown(display, maxima.get("heart_rate_bpm"), "heart_rate_max_bpm"),
                    f"({display.figure(percent)} % of {display.figure(reserves['heart_rate_max_predicted_bpm'])} predicted)"
                    if percent is not None
                    else why.get("heart_rate_percent_of_predicted", ""),
                ),
                (
                    "Heart-rate reserve",
                    shown(display, reserves.get("heart_rate_reserve_bpm"), "heart_rate_bpm"),
                    "(highest less resting)"
                    if reserves.get("heart_rate_reserve_bpm") is not None
                    else why.get("heart_rate_reserve_bpm", ""),
                ),
                (
                    "Left to the predicted",
                    shown(display, reserves.get("heart_rate_left_bpm"), "heart_rate_bpm"),
                    f"({METHODS[reserves['heart_rate_max_method']].label})"
                    if reserves.get("heart_rate_left_bpm") is not None
                    else "",
                ),
                (
                    "Heart-rate recovery, 60 s",
                    shown(display, recovery.get("drop_60s_bpm"), "heart_rate_drop_60s_bpm"),
                ),
                (
                    "Heart-rate recovery, 120 s",
                    shown(display, recovery.get("drop_120s_bpm"), "heart_rate_drop_120s_bpm"),
                ),
                (
                    "Recovery was",
                    ", ".join(
                        (
                            {True: "active", False: "passive", None: "active or passive not recorded"}[
                                material.test["recovery_active"]
                            ],
                            material.test["recovery_posture"] or "posture not recorded",
                        )
                    ),
                ),
                (
                    "O2 pulse at the peak",
                    shown(display, analysis["peak"].get("o2_pulse_ml_beat"), "o2_pulse_peak_ml_beat"),
                    ""
                    if o2_pulse is None
                    else f"({display.figure(o2_pulse['percent_of_predicted'])} % of predicted, {_of_method(o2_pulse)})",
                ),
                ("Blood pressure at rest", _pressure(pressure, "resting", display)),
                ("Highest in exercise", _pressure(pressure, "highest", display)),
                (
                    "In recovery",
                    "; ".join(_reading(one, display) for one in after) or NOT_RECORDED,
                ),
                ("Rise of systolic", shown(display, pressure.get("systolic_rise_mmhg"), "systolic_mmhg")),
            )
        ),
    ]
    limits = [
        part["published_limit"]["statement"]
        for part in (recovery, pressure)
        if part.get("published_limit") is not None
    ]
    if limits:
        blocks.append(Bullets(tuple(display.said(one) for one in limits), "quiet"))
    return Section("Heart rate, O2 pulse and blood pressure", tuple(blocks))


def _pressure(pressure: Part, which: str, display: Display) -> str:
    values = (pressure.get(f"{which}_systolic_mmhg"), pressure.get(f"{which}_diastolic_mmhg"))
    return _over(*values, display)


def _over(systolic: float | None, diastolic: float | None, display: Display) -> str:
    if systolic is None and diastolic is None:
        return NOT_RECORDED
    return f"{display.number(systolic, 'systolic_mmhg')}/{display.number(diastolic, 'diastolic_mmhg')} mmHg"


def _reading(one: Part, display: Display) -> str:
    when = "" if one["time_s"] is None else f" at {clock(one['time_s'])}"
    return f"{_over(one['systolic_mmhg'], one['diastolic_mmhg'], display)}{when}"


def _ventilation(material: TestMaterial, display: Display) -> Section:
    analysis, visit = material.analysis, material.visit
    maxima, peak, reserves = analysis["maxima"], analysis["peak"], analysis["reserves"]
    gas, slopes = analysis["gas_exchange"], analysis["slopes"]
    why = {
        name: text for part in (gas, reserves, slopes) for name, text in (part.get("reasons") or {}).items()
    }
    reserve, basis = reserves.get("breathing_reserve_percent"), reserves.get("mvv_basis")
    mvv = {"measured": "(measured)", "from_fev1": "(from FEV1)", None: ""}[basis]
    slope_to_second = slopes.get("ve_vco2_slope")
    rows = (
        ("Highest ventilation", shown(display, maxima.get("ve_l_min"), "ve_max_l_min")),
        ("Ventilation at the peak", shown(display, peak.get("ve_l_min"), "ve_l_min")),
        (
            "Breathing reserve",
            NOT_RECORDED
            if reserve is None
            else f"{display.figure(reserve)} %, {shown(display, reserves['breathing_reserve_l_min'], 've_l_min')}",
            why.get("breathing_reserve_percent", "") if reserve is None else "",
        ),
        ("Maximal voluntary ventilation", shown(display, reserves.get("mvv_l_min"), "mvv_l_min"), mvv),
        ("FEV1", shown(display, visit["fev1_l"], "fev1_l")),
        ("Vital capacity", shown(display, visit["vital_capacity_l"], "vital_capacity_l")),
        (
            "Respiratory rate at the peak",
            shown(display, peak.get("respiratory_rate_per_min"), "respiratory_rate_per_min"),
        ),
        (
            "Tidal volume at the peak",
            shown(display, gas.get("peak_tidal_volume_l"), "tidal_volume_l"),
            "(ventilation over rate)" if gas.get("tidal_volume_basis") == "ventilation_over_rate" else "",
        ),
        (
            "VE/VCO2 slope",
            "none" if slope_to_second is None else display.quantity(slope_to_second, "ve_vco2_slope"),
            "(to the second threshold)"
            if slope_to_second is not None
            else with_names(why.get("ve_vco2_slope") or slopes.get("reason") or "", METHODS_IN_SENTENCES),
        ),
        ("VE/VCO2 slope, whole", shown(display, slopes.get("ve_vco2_slope_whole"), "ve_vco2_slope")),
        ("Lowest VE/VCO2", shown(display, gas.get("lowest_ve_vco2"), "ve_vco2")),
        ("VE/VO2 at the peak", shown(display, gas.get("peak_ve_vo2"), "ve_vo2")),
        ("VE/VCO2 at the peak", shown(display, gas.get("peak_ve_vco2"), "ve_vco2")),
        ("End-tidal CO2 at the peak", shown(display, gas.get("peak_petco2_mmhg"), "petco2_mmhg")),
        ("End-tidal CO2, highest", shown(display, gas.get("highest_petco2_mmhg"), "petco2_mmhg")),
        ("End-tidal O2 at the peak", shown(display, gas.get("peak_peto2_mmhg"), "peto2_mmhg")),
        ("SpO2 at rest", shown(display, visit["resting_spo2_percent"], "resting_spo2_percent")),
        ("SpO2, lowest in exercise", shown(display, _lowest_spo2(material), "spo2_percent")),
        ("Uptake efficiency slope", shown(display, slopes.get("oues_ml_min"), "oues_ml_min")),
        (
            "VO2-work rate slope",
            shown(display, slopes.get("vo2_work_rate_slope_ml_min_w"), "vo2_work_rate_slope_ml_min_w"),
        ),
    )
    return Section("Ventilation and gas exchange", (Facts(facts(*rows)),))


def _lowest_spo2(material: TestMaterial) -> float | None:
    """Of the recorded intervals, else the lowest that was written down in exercise."""
    recorded: float | None = material.analysis["gas_exchange"].get("lowest_spo2_percent")
    noted = [
        one["spo2_percent"]
        for one in material.notes
        if one["spo2_percent"] is not None and one["phase"] != "rest"
    ]
    return recorded if recorded is not None else min(noted, default=None)


_NOTED = ("systolic_mmhg", "diastolic_mmhg", "rpe", "lactate_mmol_l", "spo2_percent", "heart_rate_bpm")


def _stages(material: TestMaterial, display: Display) -> Section:
    """Rest, every stage, the peak and recovery, measured and written down."""
    visit, analysis = material.visit, material.analysis
    maxima, peak, pressure = analysis["maxima"], analysis["peak"], analysis["blood_pressure"]
    unread = list(material.notes)
    rows = [
        _row(
            "Rest",
            {},
            {
                "heart_rate_bpm": visit["resting_heart_rate_bpm"],
                "systolic_mmhg": visit["resting_systolic_mmhg"],
                "diastolic_mmhg": visit["resting_diastolic_mmhg"],
                "spo2_percent": visit["resting_spo2_percent"],
            },
            display,
        )
    ]
    early = [one for one in unread if one["phase"] in {"rest", "warm_up"}]
    rows += [_row(_when(one), one, one, display) for one in early]
    unread = [one for one in unread if one not in early]
    for stage in (analysis.get("steady_state") or {}).get("stages") or ():
        noted = [one for one in unread if one["phase"] in {None, "exercise"} and _within(one, stage)]
        unread = [one for one in unread if one not in noted]
        written = {
            name: next((one[name] for one in reversed(noted) if one[name] is not None), None)
            for name in _NOTED
        }
        measured = {**written, "heart_rate_bpm": stage["heart_rate_bpm"] or written["heart_rate_bpm"]}
        rows.append(_row(f"Stage {stage['number']}, to {clock(stage['end_s'])}", stage, measured, display))
    rows += [_row(_when(one), one, one, display) for one in unread if one["phase"] != "recovery"]
    rows.append(
        _row(
            "Peak and highest",
            {**peak, **{name: maxima.get(name) or peak.get(name) for name in ("work_rate_w", "speed_km_h")}},
            {
                "heart_rate_bpm": maxima.get("heart_rate_bpm"),
                "systolic_mmhg": pressure.get("highest_systolic_mmhg"),
                "diastolic_mmhg": pressure.get("highest_diastolic_mmhg"),
                "rpe": maxima.get("rpe"),
                "lactate_mmol_l": maxima.get("lactate_mmol_l"),
                "spo2_percent": _lowest_spo2(material),
            },
            display,
        )
    )
    recovery = analysis["recovery"]
    rows += [
        _row(words, {}, {"heart_rate_bpm": recovery[name]}, display)
        for words, name in (("60 s after", "heart_rate_60s_bpm"), ("120 s after", "heart_rate_120s_bpm"))
        if recovery.get(name) is not None
    ]
    rows += [_row(_when(one), one, one, display) for one in unread if one["phase"] == "recovery"]
    return Section(
        "Rest, stages, peak and recovery",
        (
            Table(
                "Rest, stages, peak and recovery",
                (
                    Column("", share=2.3),
                    Column("Load", figures=True, share=1.7),
                    Column("VO2, mL/min", figures=True, share=1),
                    Column("RER", figures=True, share=0.7),
                    Column("Heart rate", figures=True, share=0.8),
                    Column("Blood pressure, mmHg", figures=True, share=1.3),
                    Column("RPE", figures=True, share=0.7),
                    Column("Lactate, mmol/L", figures=True, share=1.1),
                    Column("SpO2, %", figures=True, share=0.8),
                ),
                tuple(rows),
            ),
            Words(
                "Uptake, RER and heart rate of a stage are means of its last minute. A dash: not recorded. Peak and highest: "
                "uptake and RER in the window of the peak, the rest the highest of exercise (SpO2 the lowest).",
                "quiet",
            ),
        ),
    )


def _within(note: Part, stage: Part) -> bool:
    if note["stage"] is not None:
        return bool(note["stage"] == stage["number"])
    return note["time_s"] is not None and stage["start_s"] < note["time_s"] <= stage["end_s"]


def _row(words: str, load: Part, values: Part, display: Display) -> tuple[str, ...]:
    def of(name: str) -> str:
        return display.number(values.get(name), name)

    systolic, diastolic = values.get("systolic_mmhg"), values.get("diastolic_mmhg")
    pressure = (
        "\N{EN DASH}"
        if systolic is None and diastolic is None
        else f"{of('systolic_mmhg')}/{of('diastolic_mmhg')}"
    )
    loaded = _load(load, display)
    return (
        words,
        "\N{EN DASH}" if loaded == NOT_RECORDED else loaded,
        display.number(load.get("vo2_ml_min"), "vo2_ml_min"),
        display.number(load.get("rer"), "rer"),
        of("heart_rate_bpm"),
        pressure,
        of("rpe"),
        of("lactate_mmol_l"),
        of("spo2_percent"),
    )


def _ecg(material: TestMaterial) -> Section:
    test = material.test
    return Section(
        "ECG",
        (
            Facts(
                (
                    Fact("Recorded", told(test["ecg_recorded"])),
                    Fact("Read by", told(test["ecg_read_by"])),
                    Fact("Reading", told(test["ecg_reading"])),
                ),
                long=True,
            ),
        ),
    )


def _cautions_of_test(analysis: Part, display: Display) -> Iterator[Section]:
    cautions = analysis["cautions_of_test"]
    if cautions:
        yield Section(
            phrases.CAUTIONS_OF_TEST,
            (Bullets(tuple(display.said(f"{one['text']} ({one['source']})") for one in cautions)),),
        )


def _standing(lines: Sequence[str], display: Display) -> Section:
    return Section(
        "Standing",
        (
            Bullets(tuple(sentence(display.said(line)) for line in lines))
            if lines
            else Words("No table or equation says anything about this test."),
        ),
    )


def _comparison(material: TestMaterial, display: Display) -> Section:
    if not material.trend["series"]:
        return Section("Comparison with earlier tests", (Words(NO_POINT),))
    series = material.trend["series"][0]
    words = words_of_the_latest(material.trend, material.person.sex, material.rank, display)
    return Section(
        "Comparison with earlier tests",
        (
            Words(" ".join(words)),
            points_table(series, display, record=True),
            Words(error_in_words(series, display), "quiet"),
        ),
    )


def _sources(material: TestMaterial) -> Iterator[str]:
    analysis = material.analysis
    yield from sources_of(analysis)
    named = predicted_peak(analysis)
    if named is not None:
        yield named["source"]
    for part in ("reserves", "recovery", "gas_exchange", "slopes"):
        yield from (analysis[part].get("sources") or {}).values()
    for one in analysis["thresholds"]:
        if one["vo2_ml_min"] is not None:
            yield one["source"]
