"""The analysis of one test: everything that is found out about it, with the reasons for what is not."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Literal

from service.analysis.breath_care import BreathCare, check_breath_rule, told, with_breaths_left_out
from service.analysis.effort import Effort, judge_effort
from service.analysis.estimation import Estimate, Estimates, estimate
from service.analysis.gas import with_computed_uptake
from service.analysis.loads import find_loads
from service.analysis.marks import Marks, find_marks
from service.analysis.norms import NormTable, Predicted, Rank, predict_all, rank_all
from service.analysis.parts import Parts, find_parts, parts_dict
from service.analysis.peaks import (
    ML_KG_MIN_PER_MET,
    Convention,
    Maxima,
    Peak,
    PeakSettings,
    WindowPeak,
    find_maxima,
    find_peak,
    peak_by_window,
)
from service.analysis.plain import plain
from service.analysis.plateau import PLATEAU_RULES, Plateau, PlateauRule, assess_plateau
from service.analysis.provenance import with_sources
from service.analysis.quality import conditions_findings, judge_quality
from service.analysis.recovery import Recovery, heart_rate_recovery
from service.analysis.rule_sets import ChosenBy, RuleSet, find_rule_set
from service.analysis.series import ReportedValue, Shape, TestInput
from service.analysis.smoothing import LOCAL_SD_RULE
from service.findings import Finding, finding
from service.quantities import QUANTITIES

#: Raised whenever the same test may give other numbers or verdicts than before.
ANALYSIS_VERSION = "3"

CAUTIONS: tuple[str, ...] = (
    "For people who are trained and allowed to run exercise tests.",
    "This is not a diagnosis, and it does not decide whether exercise suits a person.",
    "Local rules and licensed practice decide, before, during and after a test; so does the person who watches it.",
    "A number is only as good as the calibration, the fit of the mask and the effort behind it; read the findings first.",
)

_NO_INTERVALS = "The test has no intervals; only results that were reported."

#: Results, and where each is read: part of the analysis, field.
RESULT_PLACES: Mapping[str, tuple[Literal["peak", "maxima", "recovery"], str]] = MappingProxyType(
    {
        "vo2_peak_ml_min": ("peak", "vo2_ml_min"),
        "vo2_peak_ml_kg_min": ("peak", "vo2_ml_kg_min"),
        "mets_peak": ("peak", "mets"),
        "o2_pulse_peak_ml_beat": ("peak", "o2_pulse_ml_beat"),
        "heart_rate_max_bpm": ("maxima", "heart_rate_bpm"),
        "rer_max": ("maxima", "rer"),
        "ve_max_l_min": ("maxima", "ve_l_min"),
        "work_rate_peak_w": ("maxima", "work_rate_w"),
        "speed_peak_km_h": ("maxima", "speed_km_h"),
        "rpe_max": ("maxima", "rpe"),
        "lactate_max_mmol_l": ("maxima", "lactate_mmol_l"),
        "systolic_max_mmhg": ("maxima", "systolic_mmhg"),
        "exercise_duration_s": ("maxima", "exercise_duration_s"),
        "heart_rate_drop_60s_bpm": ("recovery", "drop_60s_bpm"),
        "heart_rate_drop_120s_bpm": ("recovery", "drop_120s_bpm"),
    }
)


@dataclass(frozen=True, slots=True)
class AnalysisSettings:
    """What a site or a question may choose; stored with every analysis.

    Attributes
    ----------
    peak_convention : str
        See `PeakSettings`.
    peak_window_s : float
    peak_window_breaths : int, optional
    effort_rules : str
        Rule set of the secondary criteria.
    plateau_rule : str, optional
        The primary rule; that of the shape of the test if left out.
    heart_rate_max_method : str
        Prediction of maximal heart rate.
    aberrant_breaths : str
        Rule that leaves out single breaths; a key of `service.analysis.breath_care.BREATH_RULES`.
    chosen_by : mapping of str to {"request", "cohort", "site"}
        Who chose a setting; one that is not named is the program's default.

    Raises
    ------
    InvalidContent
        A peak convention or window that cannot be.
    """

    peak_convention: Convention = "time_weighted"
    peak_window_s: float = 30.0
    peak_window_breaths: int | None = None
    effort_rules: str = "default"
    plateau_rule: str | None = None
    heart_rate_max_method: str = "heart_rate_max_tanaka"
    aberrant_breaths: str = LOCAL_SD_RULE
    chosen_by: Mapping[str, ChosenBy] = field(default_factory=dict)

    def __post_init__(self) -> None:
        PeakSettings(self.peak_convention, self.peak_window_s, self.peak_window_breaths)

    @property
    def peak(self) -> PeakSettings:
        """The part about the peak."""
        return PeakSettings(self.peak_convention, self.peak_window_s, self.peak_window_breaths)

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {**{name: getattr(self, name) for name in self.__slots__}, "chosen_by": dict(self.chosen_by)}


@dataclass(frozen=True, slots=True)
class ResultValue:
    """One result as the index of results keeps it.

    Attributes
    ----------
    quantity : str
        Key of a quantity of kind "result".
    value : float
    method : str
        How it was found.
    convention : str or None
        Averaging, where there is one.
    effective_window_s : float or None
    has_error : bool
        Kept out of change and trend.
    reason : str or None
        Why it is.
    basis : {"measured", "reported", "estimated"}
    """

    quantity: str
    value: float
    method: str
    convention: str | None
    effective_window_s: float | None
    has_error: bool
    reason: str | None
    basis: Literal["measured", "reported", "estimated"] = "measured"


@dataclass(frozen=True, slots=True)
class TestAnalysis:
    """Everything that was found out about one test.

    Attributes
    ----------
    settings : AnalysisSettings
    basis : {"measured", "reported"}
    marks : Marks or None
        None without intervals.
    shape : str or None
        Given or inferred.
    peak, maxima, windows, plateau, effort, recovery
        The parts; see their own classes.
    ranks, predicted
        Standing among people, and against prediction.
    findings : tuple of Finding
        Errors first.
    affected : frozenset of str
        Results kept out of change and trend by an error.
    parts : Parts
        Gas, thresholds, slopes, energy, pressure, ranges.
    reported : tuple of ReportedValue
        As given.
    estimates : Estimates or None
        Of peak uptake, where none was measured or reported.
    breath_care : BreathCare
        Which breaths were left out of everything here, and how the rest was averaged.
    """

    __test__ = False  # its name is the trade's, not a test class

    settings: AnalysisSettings
    basis: Literal["measured", "reported"]
    marks: Marks | None
    shape: Shape | None
    peak: Peak
    maxima: Maxima
    windows: tuple[WindowPeak, ...]
    plateau: Plateau
    effort: Effort
    recovery: Recovery | None
    ranks: tuple[Rank, ...]
    predicted: tuple[Predicted, ...]
    findings: tuple[Finding, ...]
    affected: frozenset[str]
    parts: Parts
    reported: tuple[ReportedValue, ...] = ()
    estimates: Estimates | None = None
    breath_care: BreathCare = field(default_factory=lambda: BreathCare(LOCAL_SD_RULE, reason=_NO_INTERVALS))

    @property
    def cautions(self) -> tuple[str, ...]:
        """Short plain sentences that go with every analysis."""
        return CAUTIONS

    @property
    def results(self) -> tuple[ResultValue, ...]:
        """The results that could be had, one a quantity; measured before reported, and these before estimated."""
        found: dict[str, ResultValue] = {}
        measured = [] if self.basis == "reported" else self._measured()
        for one in (*measured, *self._reported(), *self._estimated()):
            found.setdefault(one.quantity, one)
        return tuple(found.values())

    def _measured(self) -> list[ResultValue]:
        answer = []
        for quantity, (part, name) in RESULT_PLACES.items():
            value = getattr(getattr(self, part), name)
            if value is None or (part == "peak" and self.peak.basis != "measured"):
                continue
            convention = self.peak.convention if part == "peak" else None
            window = (
                self.peak.effective_window_s
                if part == "peak"
                else self.maxima.windows_s.get(name)
                if part == "maxima"
                else None
            )
            error = quantity in self.affected
            answer.append(
                ResultValue(
                    quantity=quantity,
                    value=float(value),
                    method=convention or _METHODS.get(name, "highest_window" if window else "highest_noted"),
                    convention=convention,
                    effective_window_s=window,
                    has_error=error,
                    reason=self._error_text() if error else None,
                )
            )
        for quantity, (value, method) in self.parts.results().items():
            error = quantity in self.affected
            reason = self._error_text() if error else None
            answer.append(ResultValue(quantity, float(value), method, None, None, error, reason))
        return answer

    def _estimated(self) -> list[ResultValue]:
        if self.estimates is None or self.peak.basis != "estimated":
            return []
        return [
            ResultValue(
                one.quantity, one.value, one.method, None, None, one.has_error, one.reason, "estimated"
            )
            for one in self.estimates.results
        ]

    def _error_text(self) -> str:
        return " ".join(one.message for one in self.findings if one.severity == "error")

    def _reported(self) -> list[ResultValue]:
        answer = [
            ResultValue(
                quantity=one.quantity,
                value=one.value,
                method=one.method or "reported",
                convention=None,
                effective_window_s=None,
                has_error=not _possible(one),
                reason=None if _possible(one) else _beyond_text(one),
                basis="reported",
            )
            for one in self.reported
        ]
        if self.peak.basis == "reported":
            known = {one.quantity for one in answer}
            answer += [
                ResultValue(
                    quantity, float(value), "from_reported_uptake", None, None, False, None, "reported"
                )
                for quantity, (part, name) in RESULT_PLACES.items()
                if part == "peak"
                and quantity not in known
                and (value := getattr(self.peak, name)) is not None
            ]
        return answer

    def as_dict(self) -> dict[str, Any]:
        """The JSON object of the analysis; numbers as they are, missing ones null."""
        marks = self.marks
        parts = parts_dict(self.parts, {"reason": _NO_INTERVALS})
        reasons = {}
        if not parts["thresholds"]:
            reasons["thresholds"] = _NO_INTERVALS
        if not parts["training_ranges"]:
            reasons["training_ranges"] = self.parts.training_ranges.reason or "No basis for ranges is known."
        if not self.ranks:
            reasons["ranks"] = "No table of reference values covers this mode."
        if not self.predicted:
            reasons["predicted"] = "No prediction covers this mode."
        if not self.windows:
            reasons["peak_by_window"] = _NO_INTERVALS
        answer = {
            "analysis_version": ANALYSIS_VERSION,
            "settings": self.settings.as_dict(),
            "basis": self.basis,
            "marks": {
                "exercise_start_s": None if marks is None else marks.exercise_start_s,
                "exercise_end_s": None if marks is None else marks.exercise_end_s,
                "basis": None if marks is None else marks.basis,
                "reason": _NO_INTERVALS if marks is None else None,
            },
            "shape": self.shape,
            "breath_care": self.breath_care.as_dict(),
            "peak": self.peak.as_dict(),
            "maxima": self.maxima.as_dict(),
            "peak_by_window": [one.as_dict() for one in self.windows],
            "plateau": self.plateau.as_dict(),
            "effort": self.effort.as_dict(),
            **parts,
            "recovery": _absent("drop_60s_bpm", "drop_120s_bpm", reason=_NO_INTERVALS)
            if self.recovery is None
            else self.recovery.as_dict(),
            "estimates": None if self.estimates is None else self.estimates.as_dict(),
            "predicted": [one.as_dict() for one in self.predicted],
            "ranks": [one.as_dict() for one in self.ranks],
            "findings": [one.as_dict() for one in self.findings],
            "cautions": list(self.cautions),
            "reasons": reasons,
        }
        document: dict[str, Any] = plain(with_sources(answer))
        return document


_METHODS: Mapping[str, str] = MappingProxyType(
    {
        "work_rate_w": "highest_in_exercise",
        "speed_km_h": "highest_in_exercise",
        "exercise_duration_s": "between_marks",
        "drop_60s_bpm": "from_end_of_exercise",
        "drop_120s_bpm": "from_end_of_exercise",
    }
)


def _absent(*names: str, reason: str) -> dict[str, str | None]:
    return {**dict.fromkeys(names), "reason": reason}


def analyse_test(
    test: TestInput,
    settings: AnalysisSettings | None = None,
    norms: Sequence[NormTable] = (),
    own_rule_sets: Sequence[RuleSet] = (),
) -> TestAnalysis:
    """Find out about one test what can be found out.

    Parameters
    ----------
    test : TestInput
        With intervals, or with reported results, or both; the intervals win.
    settings : AnalysisSettings, optional
    norms : sequence of NormTable
        Tables of reference values.
    own_rule_sets : sequence of RuleSet
        Rule sets of effort that the settings may name besides the built-in ones.

    Returns
    -------
    TestAnalysis

    Raises
    ------
    InvalidContent
        A rule or method in the settings that does not exist.
    """
    settings = settings or AnalysisSettings()
    check_breath_rule(settings.aberrant_breaths)
    rule_set = find_rule_set(settings.effort_rules, own_rule_sets)
    test, computed = with_computed_uptake(test)
    analysis = (
        _analyse_series(test, settings, norms, rule_set, computed)
        if len(test.series)
        else _analyse_reported(test, settings, norms, rule_set)
    )
    if (
        analysis.peak.vo2_ml_min is None
        and analysis.peak.vo2_ml_kg_min is None
        and not test.series.has("vo2_ml_min")
    ):
        return _with_estimate(analysis, test, norms)
    return analysis


def _analyse_series(
    test: TestInput,
    settings: AnalysisSettings,
    norms: Sequence[NormTable],
    rule_set: RuleSet,
    computed: Sequence[Finding],
) -> TestAnalysis:
    marks = find_marks(test)
    test, care = with_breaths_left_out(test, marks, settings.aberrant_breaths)
    loads = find_loads(test, marks)
    peak = find_peak(test, marks, settings.peak)
    maxima = find_maxima(test, marks)
    quality = judge_quality(test, marks, peak, maxima, settings.peak)
    plateau = _where_trusted(
        assess_plateau(test, marks, loads, rule=settings.plateau_rule), test, quality.findings
    )
    effort = judge_effort(
        test,
        marks,
        peak,
        maxima,
        plateau,
        rule_set=rule_set,
        heart_rate_max_method=settings.heart_rate_max_method,
        chosen_by=settings.chosen_by.get("effort_rules", "default"),
    )
    recovery = heart_rate_recovery(test, marks, maxima)
    peak = _labelled(peak, effort)
    ranks, predicted = _standing(test, peak, maxima, norms)
    parts = find_parts(
        test,
        marks,
        loads,
        peak,
        maxima,
        plateau,
        effort,
        heart_rate_max_method=settings.heart_rate_max_method,
    )
    care = told(care, test, marks, settings.peak, peak, plateau, parts)
    return TestAnalysis(
        settings=settings,
        basis="measured",
        marks=marks,
        shape=loads.shape,
        peak=peak,
        maxima=maxima,
        windows=peak_by_window(test, marks, settings.peak),
        plateau=plateau,
        effort=effort,
        recovery=recovery,
        ranks=ranks,
        predicted=predicted,
        findings=_in_order(
            quality.findings,
            marks.findings,
            loads.findings,
            plateau.findings,
            effort.findings,
            computed,
            care.findings,
            parts.findings,
            _beyond_limits(test),
            _against_prediction(ranks),
        ),
        affected=quality.affected,
        parts=parts,
        reported=test.reported,
        breath_care=care,
    )


def _with_estimate(analysis: TestAnalysis, test: TestInput, norms: Sequence[NormTable]) -> TestAnalysis:
    """The analysis with an estimate of peak uptake in the place of the one that nobody measured."""
    estimates = estimate(test, test.field_inputs)
    chosen = estimates.chosen
    if chosen is None:
        return replace(analysis, estimates=estimates)
    peak = _estimated_peak(analysis.peak, chosen)
    ranks, predicted = _standing(test, peak, analysis.maxima, norms, chosen)
    kept = [one for one in analysis.findings if one.code != "rank_is_against_prediction"]
    return replace(
        analysis,
        peak=peak,
        ranks=ranks,
        predicted=predicted,
        estimates=estimates,
        findings=_in_order(kept, estimates.findings, _against_prediction(ranks)),
    )


def _estimated_peak(peak: Peak, chosen: Estimate) -> Peak:
    relative = chosen.value_ml_kg_min
    found = {
        "vo2_ml_min": chosen.value_ml_min,
        "vo2_ml_kg_min": relative,
        "mets": None if relative is None else relative / ML_KG_MIN_PER_MET,
    }
    reasons = {name: reason for name, reason in peak.reasons.items() if found.get(name) is None}
    return replace(peak, basis="estimated", label="VO2peak", reasons=reasons, **found)  # type: ignore[arg-type]


def _where_trusted(plateau: Plateau, test: TestInput, findings: Iterable[Finding]) -> Plateau:
    """No plateau from a leak: uptake that is lost at the mask levels off without the body having done so."""
    for remark in findings:
        if remark.code == "leak_signature" and remark.first_seq is not None and plateau.fit is not None:
            begins = float(test.series.start_s[remark.first_seq])
            if begins < plateau.fit.later[1]:
                return plateau.doubted(f"A leak from about {begins:.0f} s on would look like a plateau.")
    return plateau


def _labelled(peak: Peak, effort: Effort) -> Peak:
    known = peak.vo2_ml_min is not None or peak.vo2_ml_kg_min is not None
    return replace(peak, label=effort.label) if known else peak


def _standing(
    test: TestInput, peak: Peak, maxima: Maxima, norms: Sequence[NormTable], chosen: Estimate | None = None
) -> tuple[tuple[Rank, ...], tuple[Predicted, ...]]:
    error = QUANTITIES["vo2_peak_ml_kg_min"].typical_error
    person = test.person
    predicted = predict_all(
        person, test.mode, peak.vo2_ml_min, peak.vo2_ml_kg_min, heart_rate_max_bpm=maxima.heart_rate_bpm
    )
    ranks = rank_all(
        norms,
        mode=test.mode,
        sex=person.sex,
        age_years=person.age_years,
        age_low_years=person.age_low_years,
        age_high_years=person.age_high_years,
        value_ml_kg_min=peak.vo2_ml_kg_min,
        rer=maxima.rer,
        typical_error_fraction=None if error is None else error.value / 100,
        predicted=predicted,
        estimated=chosen is not None,
        standard_error_ml_kg_min=None if chosen is None else chosen.standard_error_ml_kg_min,
    )
    return ranks, predicted


def _in_order(*groups: Iterable[Finding]) -> tuple[Finding, ...]:
    """Errors, then warnings, then the rest; the same remark once."""
    order = {"error": 0, "warning": 1, "info": 2}
    once = dict.fromkeys(one for group in groups for one in group)
    return tuple(sorted(once, key=lambda one: order[one.severity]))


def _against_prediction(ranks: Sequence[Rank]) -> list[Finding]:
    shown = [
        rank
        for rank in ranks
        if rank.reference == "predicted_for_body_size" and rank.percent_of_predicted is not None
    ]
    if not shown:
        return []
    return [
        finding(
            "rank_is_against_prediction",
            f"{', '.join(rank.norm_id for rank in shown)}: percent of predicted for body size, not a percentile.",
        )
    ]


# -- results that came without intervals ------------------------------------------------------------------


def _possible(one: ReportedValue) -> bool:
    quantity = QUANTITIES.get(one.quantity)
    return quantity is None or quantity.possible(one.value)


def _beyond_text(one: ReportedValue) -> str:
    quantity = QUANTITIES[one.quantity]
    low, high = quantity.hard or (float("-inf"), float("inf"))
    return (
        f"{quantity.label} was reported as {quantity.show(one.value)} ({one.source}); possible are {low:g} to "
        f"{high:g} {quantity.unit}".rstrip()
        + "."
    )


def _beyond_limits(test: TestInput) -> list[Finding]:
    return [
        finding("reported_beyond_limit", _beyond_text(one)) for one in test.reported if not _possible(one)
    ]


def _analyse_reported(
    test: TestInput, settings: AnalysisSettings, norms: Sequence[NormTable], rule_set: RuleSet
) -> TestAnalysis:
    given = {one.quantity: one.value for one in test.reported if _possible(one)}
    refused = {one.quantity: _beyond_text(one) for one in test.reported if not _possible(one)}
    peak = _reported_peak(test, given, refused)
    maxima = _reported_maxima(given, refused)
    plateau = _plateau_unseen()
    effort = judge_effort(
        test,
        None,
        peak,
        maxima,
        plateau,
        rule_set=rule_set,
        heart_rate_max_method=settings.heart_rate_max_method,
        chosen_by=settings.chosen_by.get("effort_rules", "default"),
    )
    peak = _labelled(peak, effort)
    ranks, predicted = _standing(test, peak, maxima, norms)
    parts = find_parts(
        test, None, None, peak, maxima, plateau, effort, heart_rate_max_method=settings.heart_rate_max_method
    )
    return TestAnalysis(
        settings=settings,
        basis="reported",
        marks=None,
        shape=test.shape,
        peak=peak,
        maxima=maxima,
        windows=(),
        plateau=plateau,
        effort=effort,
        recovery=None,
        ranks=ranks,
        predicted=predicted,
        findings=_in_order(
            _beyond_limits(test),
            conditions_findings(test),
            effort.findings,
            parts.findings,
            _against_prediction(ranks),
        ),
        affected=frozenset(refused),
        parts=parts,
        reported=test.reported,
        breath_care=BreathCare(settings.aberrant_breaths, reason=_NO_INTERVALS),
    )


def _plateau_unseen() -> Plateau:
    rules = tuple(
        PlateauRule(
            rule=kind.rule,
            primary=not index,
            verdict="not_assessable",
            observed=None,
            threshold=kind.threshold,
            expected_rise=None,
            standard_error=None,
            window_s=None,
            unit=kind.unit,
            reason=_NO_INTERVALS,
            source=kind.source,
        )
        for index, kind in enumerate(PLATEAU_RULES.values())
    )
    return Plateau("not_assessable", rules)


def _reported_peak(test: TestInput, given: Mapping[str, float], refused: Mapping[str, str]) -> Peak:
    mass = test.person.body_mass_kg
    found: dict[str, float | None] = {
        name: given.get(quantity) for quantity, (part, name) in RESULT_PLACES.items() if part == "peak"
    }
    reasons = {
        name: refused.get(quantity, _NO_INTERVALS)
        for quantity, (part, name) in RESULT_PLACES.items()
        if part == "peak"
    }
    # One uptake follows from the other and the body mass, but never from one that was refused.
    absolute, relative = found["vo2_ml_min"], found["vo2_ml_kg_min"]
    if relative is None and absolute is not None and "vo2_peak_ml_kg_min" not in refused:
        found["vo2_ml_kg_min"] = None if mass is None else absolute / mass
        reasons["vo2_ml_kg_min"] = "The visit has no body mass."
    if absolute is None and relative is not None and "vo2_peak_ml_min" not in refused:
        found["vo2_ml_min"] = None if mass is None else relative * mass
        reasons["vo2_ml_min"] = "The visit has no body mass."
    relative = found["vo2_ml_kg_min"]
    if found["mets"] is None and relative is not None and "mets_peak" not in refused:
        found["mets"] = relative / ML_KG_MIN_PER_MET
    elif found["mets"] is None and "mets_peak" not in refused:
        reasons["mets"] = reasons["vo2_ml_kg_min"]
    unseen = dict.fromkeys(
        (
            "effective_window_s",
            "start_s",
            "end_s",
            "heart_rate_bpm",
            "rer",
            "ve_l_min",
            "respiratory_rate_per_min",
            "work_rate_w",
            "speed_km_h",
            "grade_percent",
        ),
        _NO_INTERVALS,
    )
    missing = {name: reason for name, reason in reasons.items() if found[name] is None}
    return Peak(basis="reported", reasons={**unseen, **missing}, **found)  # type: ignore[arg-type]


def _reported_maxima(given: Mapping[str, float], refused: Mapping[str, str]) -> Maxima:
    names = {quantity: name for quantity, (part, name) in RESULT_PLACES.items() if part == "maxima"}
    found = {name: given.get(quantity) for quantity, name in names.items()}
    reasons = {
        name: refused.get(quantity, _NO_INTERVALS) for quantity, name in names.items() if found[name] is None
    }
    return Maxima(reasons=reasons, **found)  # type: ignore[arg-type]
