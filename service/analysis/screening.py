"""Cautions before a test and from its record, each with the published list it comes from.

A caution says what was answered or noted, and that a published list names it. It is no diagnosis and no clearance, and it
decides nothing: local rules and licensed practice do, and the person who watches the test. What is not asked or not
written down is not seen here.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from service.analysis.blood_pressure import (
    FALL_MMHG,
    STOP_DIASTOLIC_MMHG,
    STOP_SYSTOLIC_MMHG,
    find_blood_pressure,
)
from service.analysis.estimation import SteadyStage, steady_stages
from service.analysis.marks import Marks, counted_rows, find_marks, rows_in_exercise
from service.analysis.series import Purpose, StageNote, StopReason, TestInput

DECIDES = "Local rules and licensed practice decide."
JUDGED_TOGETHER = (
    "Activity, known disease, symptoms and intended intensity are judged together; what the published screening recommends "
    f"stands among the cautions of the visit. {DECIDES}"
)
JUDGED_ALONE = f"Compared by itself with published lists; no answer is a clearance. {DECIDES}"

Listed = Literal["absolute", "relative"]
Group = Literal["screening", "absolute", "relative"]

_STOP_LISTS = "fletcher_2013 (lists as quoted in published texts)"
_OWN_LISTS = "acsm_2021 (value from memory)"
_SCREENING = "riebe_2015 (value from memory)"
_SATURATION = "ats_accp_2003 (value from memory)"

RESTING_SYSTOLIC_MMHG, RESTING_DIASTOLIC_MMHG = 200.0, 110.0
RESTING_SPO2_PERCENT, EXERCISE_SPO2_PERCENT = 85.0, 80.0
# Heart rate this much lower at a higher load is more than a reading's error (project default).
_HEART_RATE_FALL_BPM = 10.0
_SPO2_S = 15.0


@dataclass(frozen=True, slots=True)
class Caution:
    """One sentence or two for the person who runs the test.

    Attributes
    ----------
    text : str
        What was answered or noted, what is published about it, and who decides.
    source : str
        Citation key, with how the project came by it.
    severity : {"warning", "info"}
        Whether a published list names it, or it is only said.
    listed : {"absolute", "relative"} or None
        Which of the published lists names it.
    code : str
        Stable text.
    """

    text: str
    source: str
    severity: Literal["warning", "info"]
    code: str
    listed: Listed | None = None

    def as_dict(self) -> dict[str, str | None]:
        """JSON form."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Question:
    """One question of the published lists, in this project's words.

    Attributes
    ----------
    id, text : str
    group : {"screening", "absolute", "relative"}
    choices : tuple of str
        What may be answered.
    """

    id: str
    text: str
    group: Group
    choices: tuple[str, ...] = ("yes", "no", "unknown")

    @property
    def source(self) -> str:
        """The published list that asks it."""
        return _SCREENING if self.group == "screening" else _STOP_LISTS

    @property
    def cautions(self) -> dict[str, Caution]:
        """What an answer alone brings; none for the screening, whose answers are judged together."""
        found = {answer: _contraindications({self.id: answer}) for answer in self.choices}
        return {answer: some[0] for answer, some in found.items() if some}

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "id": self.id,
            "text": self.text,
            "group": self.group,
            "choices": list(self.choices),
            "source": self.source,
            "cautions": [
                {"answer": answer, **one.as_dict()}
                for answer, one in sorted(self.cautions.items(), reverse=True)
            ],
            "judged": JUDGED_TOGETHER if self.group == "screening" else JUDGED_ALONE,
        }


@dataclass(frozen=True, slots=True)
class RestingValues:
    """What was measured before the test; None where it was not."""

    resting_systolic_mmhg: float | None = None
    resting_diastolic_mmhg: float | None = None
    resting_spo2_percent: float | None = None


_ALL: tuple[Question, ...] = (
    Question(
        "regular_activity",
        "In the last three months: planned exercise of at least moderate intensity, 30 minutes or more, on three or more days "
        "a week?",
        "screening",
    ),
    Question(
        "known_disease",
        "Known disease of heart or vessels, of metabolism (diabetes), or of the kidneys?",
        "screening",
    ),
    Question(
        "symptoms",
        "At rest or in activity: chest pain, unusual shortness of breath, dizziness or fainting, swollen ankles, palpitations, "
        "leg pain when walking, a known heart murmur, or unusual fatigue?",
        "screening",
    ),
    Question("intended_intensity", "Intensity intended?", "screening", ("light", "moderate", "vigorous")),
    Question(
        "cleared_within_12_months",
        "Cleared for exercise by a health care provider in the last 12 months, with nothing new since?",
        "screening",
    ),
    Question("heart_attack_within_2_days", "Heart attack within the last two days?", "absolute"),
    Question("unstable_angina", "Unstable angina of high risk?", "absolute"),
    Question(
        "uncontrolled_arrhythmia",
        "Arrhythmia that is not controlled and impairs the circulation?",
        "absolute",
    ),
    Question("severe_aortic_stenosis", "Severe aortic stenosis with symptoms?", "absolute"),
    Question("uncontrolled_heart_failure", "Heart failure that is not controlled?", "absolute"),
    Question("pulmonary_embolism", "Acute pulmonary embolism or infarction?", "absolute"),
    Question("myocarditis_or_pericarditis", "Acute inflammation of heart muscle or pericardium?", "absolute"),
    Question("aortic_dissection", "Acute aortic dissection?", "absolute"),
    Question("endocarditis", "Active endocarditis?", "absolute"),
    Question(
        "infection_with_fever", "Acute infection of the body with fever, aches or swollen glands?", "absolute"
    ),
    Question("left_main_stenosis", "Known stenosis of the left main coronary artery?", "relative"),
    Question("moderate_valve_stenosis", "Moderate stenosis of a heart valve?", "relative"),
    Question("electrolyte_disturbance", "Known disturbance of electrolytes?", "relative"),
    Question("fast_or_slow_arrhythmia", "Arrhythmia with a fast or slow heart rate?", "relative"),
    Question(
        "hypertrophic_cardiomyopathy",
        "Hypertrophic cardiomyopathy or another obstruction of outflow?",
        "relative",
    ),
    Question("high_degree_block", "High-degree atrioventricular block?", "relative"),
    Question("uncontrolled_metabolic_disease", "Metabolic disease that is not controlled?", "relative"),
    Question("impairment", "Impairment of body or mind that prevents an adequate effort?", "relative"),
)

#: The questions whose answers are compared with published lists, by id.
QUESTIONS: Mapping[str, Question] = MappingProxyType({one.id: one for one in _ALL})


def cautions_before(
    answers: Iterable[Mapping[str, str]],
    resting: RestingValues | None = None,
    *,
    purpose: Purpose = "maximal",
    limits_heart_rate: bool = False,
) -> tuple[Caution, ...]:
    """Compare pre-test answers and resting values with published lists.

    Parameters
    ----------
    answers : iterable of mapping
        Each with ``question``, an id of `QUESTIONS`, and ``answer``, one of its choices; the last one to a question counts.
        Other questions and words are said not to have been judged.
    resting : RestingValues, optional
    purpose : str
        A maximal test counts as vigorous exercise where no intensity is answered.
    limits_heart_rate : bool
        Whether a medication of the day limits the heart rate.

    Returns
    -------
    tuple of Caution
        Warnings first.

    Notes
    -----
    Screening by activity, known disease, symptoms and intended intensity (riebe_2015, from memory); reasons not to start,
    and a resting pressure above 200 or 110 mmHg among the relative ones (fletcher_2013; older lists print 115); a resting
    saturation of 85 % or less (ats_accp_2003, from memory).
    """
    known, unread, foreign = _understood(answers)
    found = [
        *_contraindications(known),
        *_resting(resting or RestingValues()),
        *_participation(known, purpose),
    ]
    found += _not_judged(known, unread, foreign)
    if limits_heart_rate:
        found.append(
            Caution(
                "A medication that limits the heart rate is recorded. The heart rate then shows neither how hard the person "
                "works nor whether the effort was maximal, and no target is set by a predicted maximum: go by perceived "
                f"exertion and symptoms. Whether a medication is left out before a test is for whoever prescribed it. {DECIDES}",
                _OWN_LISTS,
                "info",
                "heart_rate_limited",
            )
        )
    if not any(one.severity == "warning" for one in found):
        found.append(
            Caution(
                "None of the answers and values given is on the published lists compared here. That is no clearance: what was "
                f"not asked is not seen. {DECIDES}",
                _STOP_LISTS,
                "info",
                "nothing_listed",
            )
        )
    return _in_order(found)


def cautions_of_test(test: TestInput) -> tuple[Caution, ...]:
    """Compare the record of a test with published indications for stopping.

    Parameters
    ----------
    test : TestInput

    Returns
    -------
    tuple of Caution
        Warnings first; empty where nothing in the record is on the lists.

    Notes
    -----
    A systolic fall of more than 10 mmHg while the load did not fall; systolic pressure above 250 or diastolic above 115
    mmHg (fletcher_2013; older lists print 260); symptoms noted (words are compared, a negation is not a symptom); heart
    rate that falls as the load rises (acsm_2021, from memory); saturation of 80 % or less (ats_accp_2003, from memory).
    """
    marks = find_marks(test) if len(test.series) else None
    symptoms = _symptoms(test.notes)
    found = [*_pressure(test, marks, symptoms), *symptoms, *_heart_rate(test), *_saturation(test, marks)]
    if test.stop_reason == "symptom" and not symptoms:
        found.append(
            Caution(
                f"The test was stopped by a symptom, and none is written down: write down which. {DECIDES}",
                _STOP_LISTS,
                "warning",
                "stopped_by_symptom",
            )
        )
    return _in_order(found)


def _in_order(found: Iterable[Caution]) -> tuple[Caution, ...]:
    return tuple(sorted(found, key=lambda one: (one.severity != "warning", one.listed != "absolute")))


# -- before -----------------------------------------------------------------------------------------------------------


def read_answer(question: str, answer: str) -> tuple[str | None, str | None]:
    """A question and an answer however they are written: the id of `QUESTIONS` and the choice, None for what is neither."""
    known = QUESTIONS.get(question.strip().lower().replace(" ", "_").replace("-", "_"))
    if known is None:
        return None, None
    word = answer.strip().lower().rstrip(".")
    return known.id, word if word in known.choices else None


def _understood(answers: Iterable[Mapping[str, str]]) -> tuple[dict[str, str], list[str], int]:
    """Answers by question, the questions whose answer is no known word, and how many are of other questions."""
    known: dict[str, str] = {}
    unread: list[str] = []
    foreign = 0
    for one in answers:
        question, word = read_answer(one.get("question", ""), one.get("answer", ""))
        if question is None:
            foreign += 1
        elif word is not None:
            known[question] = word
            unread = [name for name in unread if name != question]
        else:
            known.pop(question, None)
            unread.append(question)
    return known, unread, foreign


def _contraindications(known: Mapping[str, str]) -> list[Caution]:
    found = []
    for question in _ALL:
        answer = known.get(question.id)
        if question.group == "screening" or answer in {None, "no"}:
            continue
        listed: Listed = "absolute" if question.group == "absolute" else "relative"
        place = (
            "among the reasons not to start an exercise test"
            if listed == "absolute"
            else "among the reasons to start one only after weighing it"
        )
        if answer == "yes":
            text = f"Answered yes: {question.text} Published lists name it {place} ({listed}). {DECIDES}"
        else:
            text = f"Not known: {question.text} Published lists name it {place} ({listed}). {DECIDES}"
        found.append(
            Caution(
                text, _STOP_LISTS, "warning", f"{'' if answer == 'yes' else 'unknown_'}{question.id}", listed
            )
        )
    return found


def _resting(resting: RestingValues) -> list[Caution]:
    found = []
    for word, value, limit in (
        ("systolic", resting.resting_systolic_mmhg, RESTING_SYSTOLIC_MMHG),
        ("diastolic", resting.resting_diastolic_mmhg, RESTING_DIASTOLIC_MMHG),
    ):
        if value is None:
            found.append(
                Caution(
                    f"No resting {word} pressure is recorded, so it was not compared. {DECIDES}",
                    _STOP_LISTS,
                    "info",
                    f"no_resting_{word}",
                )
            )
        elif value > limit:
            found.append(
                Caution(
                    f"The resting {word} pressure is {value:.0f} mmHg; published lists name one above {limit:.0f} mmHg among "
                    f"the reasons to start a test only after weighing it (relative). {DECIDES}",
                    _STOP_LISTS,
                    "warning",
                    f"resting_{word}_above_limit",
                    "relative",
                )
            )
    saturation = resting.resting_spo2_percent
    if saturation is not None and saturation <= RESTING_SPO2_PERCENT:
        found.append(
            Caution(
                f"The resting saturation is {saturation:.0f} %; a published statement names {RESTING_SPO2_PERCENT:.0f} % or "
                f"less on room air among the reasons not to start. {DECIDES}",
                _SATURATION,
                "warning",
                "resting_saturation_at_limit",
                "absolute",
            )
        )
    return found


def _participation(known: Mapping[str, str], purpose: Purpose) -> list[Caution]:
    """The published algorithm of four questions, in this project's words."""
    active, disease, symptoms = (
        known.get(name) for name in ("regular_activity", "known_disease", "symptoms")
    )
    intensity = known.get("intended_intensity")
    if intensity is None and purpose in {"maximal", "verification"}:
        intensity = "vigorous"

    def said(text: str, code: str, severity: Literal["warning", "info"]) -> list[Caution]:
        return [Caution(f"{text} {DECIDES}", _SCREENING, severity, code)]

    if symptoms == "yes":
        action = "stopping exercise and medical clearance" if active == "yes" else "medical clearance"
        return said(
            f"Symptoms were answered yes. The published screening recommends {action} before any exercise, whatever the "
            "activity and whether or not a disease is known.",
            "screening_symptoms",
            "warning",
        )
    if disease == "yes" and active == "yes":
        cleared = known.get("cleared_within_12_months") == "yes"
        if intensity != "vigorous":
            return said(
                "A disease is known, without symptoms, in a person who exercises. The published screening does not ask for "
                "clearance for light or moderate exercise, and for clearance before vigorous exercise.",
                "screening_disease_active",
                "info",
            )
        return said(
            "A disease is known, without symptoms, in a person who exercises. The published screening recommends medical "
            "clearance within the last 12 months before vigorous exercise, which a maximal test is"
            + (", and it was answered yes." if cleared else ", and none is recorded."),
            "screening_disease_vigorous",
            "info" if cleared else "warning",
        )
    if disease == "yes":
        return said(
            "A disease is known, without symptoms, in a person who does not exercise regularly. The published screening "
            "recommends medical clearance before exercise of any intensity.",
            "screening_disease_inactive",
            "warning",
        )
    open_words = [name for name in ("known_disease", "symptoms") if known.get(name) == "unknown"]
    if open_words:
        return said(
            f"Answered unknown: {' and '.join(open_words)}. The published screening cannot be followed without knowing it.",
            "screening_unknown",
            "warning",
        )
    if disease == "no" and symptoms == "no" and active == "no" and intensity == "vigorous":
        return said(
            "No disease and no symptoms, in a person who does not exercise regularly. The published screening asks for no "
            "clearance, and advises to begin with light to moderate exercise; a maximal test is vigorous.",
            "screening_inactive_vigorous",
            "warning",
        )
    return []


def _not_judged(known: Mapping[str, str], unread: Iterable[str], foreign: int) -> list[Caution]:
    found = []
    open_questions = [
        one.id
        for one in _ALL
        if one.id not in known and one.id != "cleared_within_12_months" and one.id not in unread
    ]
    if open_questions:
        found.append(
            Caution(
                f"Not answered, and so not compared with the published lists: {', '.join(open_questions)}. {DECIDES}",
                _SCREENING,
                "info",
                "questions_not_answered",
            )
        )
    for name in dict.fromkeys(unread):
        choices = ", ".join(QUESTIONS[name].choices)
        found.append(
            Caution(
                f"The answer to {name} is none of {choices}, so it was not judged: read it. {DECIDES}",
                _SCREENING,
                "warning",
                f"not_understood_{name}",
            )
        )
    if foreign:
        found.append(
            Caution(
                f"{foreign} answer{'s' if foreign > 1 else ''} to other questions {'were' if foreign > 1 else 'was'} not "
                f"judged here: read {'them' if foreign > 1 else 'it'}. {DECIDES}",
                _SCREENING,
                "info",
                "other_questions",
            )
        )
    return found


# -- in the record ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Sign:
    code: str
    label: str
    words: re.Pattern[str]
    said: str
    listed: Listed
    source: str = _STOP_LISTS


_SIGNS: tuple[_Sign, ...] = (
    _Sign(
        "chest_pain",
        "Chest pain",
        re.compile(r"\b(?:chest|sternal|thora\w+)\W+(?:\w+\W+)?(?:pain|pressure|tight\w*|discomfort)|\bangina"),
        "moderate or severe chest pain among the reasons to stop at once, and growing chest pain among those to consider it",
        "absolute",
    ),
    _Sign(
        "nervous_system",
        "Dizziness or near-fainting",
        re.compile(r"\bdizz|\blight.?headed|\bfaint|\bsyncop|\bcollaps|\bataxi|\bunsteady|\bconfus"),
        "dizziness, near-fainting and unsteadiness among the reasons to stop at once",
        "absolute",
    ),
    _Sign(
        "poor_perfusion",
        "Pallor or cyanosis",
        re.compile(r"\bpale\b|\bpallor|\bcyano|\bblue lips|\bcold sweat|\bclammy"),
        "signs of poor perfusion, such as pallor and cyanosis, among the reasons to stop at once",
        "absolute",
    ),
    _Sign(
        "nausea",
        "Nausea",
        re.compile(r"\bnause|\bvomit"),
        "nausea among the signs of poor perfusion for which a test is stopped",
        "absolute",
        _OWN_LISTS,
    ),
    _Sign(
        "rhythm",
        "Irregular rhythm or palpitations",
        re.compile(r"\bpalpit|\birregular|\barr?h?ythm|\bextrasystol|\bskipped beat|\btachycardia"),
        "sustained arrhythmias that impair the circulation among the reasons to stop at once, and others among those to "
        "consider it",
        "absolute",
    ),
    _Sign(
        "breath",
        "Wheezing or undue shortness of breath",
        re.compile(r"\bwheez|\bbreathless|\bshort\w* of breath|\bdyspn|\bstridor"),
        "shortness of breath and wheeze among the reasons to consider stopping",
        "relative",
    ),
    _Sign(
        "legs",
        "Leg cramp or leg pain",
        re.compile(r"\bcramp|\bclaudicat|\b(?:leg|calf)\W+(?:\w+\W+)?pain"),
        "cramps and claudication among the reasons to consider stopping",
        "relative",
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class StopSign:
    """A published indication for ending a test, as it is written down with one touch while a test runs.

    Attributes
    ----------
    code, label : str
    said : str
        What published lists name it among.
    listed : {"absolute", "relative"}
    source : str
    written_as : {"symptoms", "note"}
        What the person feels is a symptom, which the analysis reads again; the rest is a note.
    stop_reason : str
        Of the test where it is ended for it.
    """

    code: str
    label: str
    said: str
    listed: Listed
    source: str = _STOP_LISTS
    written_as: Literal["symptoms", "note"] = "note"
    stop_reason: StopReason = "tester"


#: The indications for ending a test, those to end it at once first. Measured values are compared once they are noted.
STOP_SIGNS: tuple[StopSign, ...] = (
    StopSign(
        "asks_to_stop",
        "The person asks to stop",
        "the wish of the person among the reasons to stop at once",
        "absolute",
        stop_reason="subject_request",
    ),
    *(
        StopSign(one.code, one.label, one.said, one.listed, one.source, "symptoms", "symptom")
        for one in _SIGNS
        if one.listed == "absolute"
    ),
    StopSign(
        "ecg",
        "ECG change, read by who may read it",
        "ST elevation and sustained ventricular tachycardia among the reasons to stop at once, and marked ST depression and "
        "other arrhythmias among those to consider it",
        "absolute",
    ),
    StopSign(
        "monitoring_fails",
        "ECG or pressure can no longer be watched",
        "technical difficulty in watching the ECG or the systolic pressure among the reasons to stop at once",
        "absolute",
        stop_reason="equipment",
    ),
    StopSign(
        "systolic_fall",
        "Systolic pressure falls though the load rises",
        f"a fall of more than {FALL_MMHG:.0f} mmHg among the reasons to stop at once with another sign of ischaemia, and alone "
        "among those to consider it",
        "relative",
    ),
    StopSign(
        "pressure_above_limit",
        f"Systolic pressure above {STOP_SYSTOLIC_MMHG:.0f} or diastolic above {STOP_DIASTOLIC_MMHG:.0f} mmHg",
        "it among the reasons to consider stopping",
        "relative",
    ),
    *(
        StopSign(one.code, one.label, one.said, one.listed, one.source, "symptoms", "symptom")
        for one in _SIGNS
        if one.listed == "relative"
    ),
    StopSign(
        "heart_rate_does_not_rise",
        "Heart rate does not rise with the load",
        "it among the reasons to stop; a lost sensor looks the same",
        "relative",
        _OWN_LISTS,
    ),
    StopSign(
        "saturation_low",
        f"Saturation of {EXERCISE_SPO2_PERCENT:.0f} % or less",
        "it, with signs of severe lack of oxygen, among the reasons to stop; a poor signal looks the same",
        "relative",
        _SATURATION,
    ),
)  # fmt: skip

_NEGATED = re.compile(r"\b(?:no|none|not|without|denies|denied|never|nil)\b[^.;,]*")


def _symptoms(notes: Iterable[StageNote]) -> list[Caution]:
    found: dict[str, Caution] = {}
    for note in notes:
        told = (note.symptoms or "").strip()
        left = _NEGATED.sub(" ", told.lower())
        if not re.search(r"\w", left):
            continue
        where = _where(note)
        matched = [sign for sign in _SIGNS if sign.words.search(left)]
        for sign in matched:
            text = f"Noted{where}: {_quoted(told)}. Published lists name {sign.said}. {DECIDES}"
            found.setdefault(
                sign.code, Caution(text, sign.source, "warning", f"symptom_{sign.code}", sign.listed)
            )
        if not matched:
            found.setdefault(
                f"other {told}",
                Caution(
                    f"Noted{where}: {_quoted(told)}. These words were compared with no list: read them. {DECIDES}",
                    _STOP_LISTS,
                    "warning",
                    "symptom_other",
                ),
            )
    return list(found.values())


def _quoted(told: str) -> str:
    return f"'{told[:160]}{'...' if len(told) > 160 else ''}'"


def _where(note: StageNote) -> str:
    if note.stage is not None and note.phase in {None, "exercise"}:
        return f" in stage {note.stage}"
    if note.phase is not None:
        return f" in {note.phase.replace('_', '-')}"
    return "" if note.time_s is None else f" at {note.time_s:.0f} s"


def _pressure(test: TestInput, marks: Marks | None, symptoms: Iterable[Caution]) -> list[Caution]:
    pressure = find_blood_pressure(test, marks)
    found = []
    fall = pressure.largest_fall_mmhg
    if fall is not None and fall > FALL_MMHG:
        # Signs of too little blood for the heart: chest pain, poor perfusion. The ECG is not in this record.
        also = any(one.code in {"symptom_chest_pain", "symptom_poor_perfusion"} for one in symptoms)
        listed: Listed = "absolute" if also else "relative"
        place = (
            "with such a symptom among the reasons to stop at once"
            if also
            else "with another sign of ischaemia, such as in the ECG, among the reasons to stop at once, and alone among those "
            "to consider it"
        )
        found.append(
            Caution(
                f"Systolic pressure fell by {fall:.0f} mmHg while the load did not fall. Published lists name a fall of more "
                f"than {FALL_MMHG:.0f} mmHg {place}. A reading in exercise is easily wrong: measure again. {DECIDES}",
                _STOP_LISTS,
                "warning",
                "systolic_fall",
                listed,
            )
        )
    for word, highest, limit in (
        ("systolic", pressure.highest_systolic_mmhg, STOP_SYSTOLIC_MMHG),
        ("diastolic", pressure.highest_diastolic_mmhg, STOP_DIASTOLIC_MMHG),
    ):
        if highest is not None and highest > limit:
            older = "; older lists print 260" if word == "systolic" else ""
            found.append(
                Caution(
                    f"A {word} pressure of {highest:.0f} mmHg was noted in exercise. Published lists name one above "
                    f"{limit:.0f} mmHg among the reasons to consider stopping{older}. {DECIDES}",
                    _STOP_LISTS,
                    "warning",
                    f"{word}_above_stop_limit",
                    "relative",
                )
            )
    limit_of_peak = pressure.published_limit
    if limit_of_peak is not None and limit_of_peak.at_or_above:
        found.append(
            Caution(
                f"{limit_of_peak.statement} {DECIDES}",
                limit_of_peak.source,
                "info",
                "systolic_at_published_peak",
            )
        )
    return found


def _heart_rate(test: TestInput) -> list[Caution]:
    stages = steady_stages(test)
    for place, later in enumerate(stages):
        for earlier in stages[:place]:
            if (
                _harder(later, earlier)
                and earlier.heart_rate_bpm - later.heart_rate_bpm > _HEART_RATE_FALL_BPM
            ):
                return [
                    Caution(
                        f"Heart rate was {later.heart_rate_bpm:.0f} beats/min in stage {later.number} after "
                        f"{earlier.heart_rate_bpm:.0f} at a lower load. A published list names a heart rate that does not rise "
                        f"with the work among the reasons to stop; a lost sensor looks the same. {DECIDES}",
                        _OWN_LISTS,
                        "warning",
                        "heart_rate_falls",
                        "relative",
                    )
                ]
    return []


def _harder(later: SteadyStage, earlier: SteadyStage) -> bool:
    """Whether no part of the load was lower and one was higher."""
    pairs = [
        (getattr(later, name), getattr(earlier, name))
        for name in ("work_rate_w", "speed_km_h", "grade_percent")
    ]
    known = [(one, other) for one, other in pairs if one is not None and other is not None]
    return all(one >= other for one, other in known) and any(one > other for one, other in known)


def _saturation(test: TestInput, marks: Marks | None) -> list[Caution]:
    noted = [
        note.spo2_percent
        for note in test.notes
        if note.spo2_percent is not None and note.phase in {None, "exercise"}
    ]
    lowest = min(noted, default=None)
    series = test.series
    if marks is not None and series.has("spo2_percent"):
        values = series.channel("spo2_percent")
        low = rows_in_exercise(series, marks) & counted_rows(series, "spo2_percent")
        low &= np.nan_to_num(values, nan=100.0) <= EXERCISE_SPO2_PERCENT
        if series.duration_s[low].sum() >= _SPO2_S:
            seen = float(values[low].min())
            lowest = seen if lowest is None else min(lowest, seen)
    if lowest is None or lowest > EXERCISE_SPO2_PERCENT:
        return []
    return [
        Caution(
            f"A saturation of {lowest:.0f} % was recorded in exercise. A published statement names {EXERCISE_SPO2_PERCENT:.0f} "
            f"% or less, with signs of severe lack of oxygen, among the reasons to stop; a poor signal looks the same. {DECIDES}",
            _SATURATION,
            "warning",
            "saturation_at_limit",
            "relative",
        )
    ]
