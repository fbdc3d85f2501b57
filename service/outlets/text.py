"""An analysis for a person at a terminal: the verdict first, then the numbers, then what to look at.

Every line is wrapped to the width of the terminal; what continues a line is indented below it.
"""

import re
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from service.analysis.plateau import PLATEAU_RULES
from service.analysis.references import REFERENCES, cited_keys
from service.analysis.rule_sets import RULE_SETS
from service.methods.catalogue import METHODS
from service.outlets.display import NEUTRAL, Display
from service.quantities import QUANTITIES

#: Width of a line where the terminal does not say.
WIDTH = 100

VERDICTS: Mapping[str, str] = {
    "verified": "maximal, confirmed by a verification bout",
    "plateau": "maximal: uptake levelled off although the load rose",
    "secondary_criteria": "maximal by secondary criteria",
    "submaximal": "submaximal",
    "undetermined": "undetermined",
}

PLATEAU: Mapping[str, str] = {
    "seen": "seen",
    "not_seen": "not seen",
    "not_assessable": "not assessable",
}

CRITERIA: Mapping[str, str] = {
    "respiratory_exchange_ratio": "Highest RER",
    "perceived_exertion": "Perceived exertion",
    "blood_lactate": "Blood lactate",
    "heart_rate_near_predicted": "Heart rate near the predicted maximum",
}

#: What the methods of a threshold are called.
THRESHOLD_METHODS: Mapping[str, str] = {
    "v_slope": "V-slope",
    "ventilatory_equivalents": "ventilatory equivalents",
    "excess_co2": "excess CO2",
    "ve_vco2": "VE on VCO2",
    "ve_vco2_equivalent": "VE/VCO2",
    "consensus": "consensus of methods",
    "lactate_2": "2 mmol/L",
    "lactate_4": "4 mmol/L",
    "lactate_baseline_0_5": "lowest + 0.5 mmol/L",
    "lactate_baseline_1_0": "lowest + 1.0 mmol/L",
    "lactate_modified_dmax": "modified maximal distance",
    "lactate_log_log": "log-log",
    "tester": "set by the tester",
}
#: The settings of an analysis, by what each decides.
SETTINGS: Mapping[str, str] = {
    "peak_convention": "How the peak is averaged",
    "peak_window_s": "Window of the peak (s)",
    "peak_window_breaths": "Window of the peak (breaths)",
    "effort_rules": "Rule set of effort",
    "plateau_rule": "Rule of the plateau",
    "heart_rate_max_method": "Prediction of maximal heart rate",
    "aberrant_breaths": "Single breaths out of line",
}
#: What the rules of single breaths are called.
BREATH_RULES: Mapping[str, str] = {"local_4_sd": "beyond 4 SD of those around", "none": "none left out"}

#: Those whose id is no ordinary word, as they stand in a sentence.
METHODS_IN_SENTENCES = {method: words for method, words in THRESHOLD_METHODS.items() if "_" in method}

#: Rows of the table: words, part and field of the analysis, quantity for unit and decimals.
_IN_THE_WINDOW: Sequence[tuple[str, str, str]] = (
    ("METs", "mets", "mets_peak"),
    ("RER", "rer", "rer"),
    ("Ventilation", "ve_l_min", "ve_l_min"),
    ("Breathing rate", "respiratory_rate_per_min", "respiratory_rate_per_min"),
    ("Heart rate", "heart_rate_bpm", "heart_rate_bpm"),
    ("O2 pulse", "o2_pulse_ml_beat", "o2_pulse_peak_ml_beat"),
    ("Work rate", "work_rate_w", "work_rate_w"),
    ("Speed", "speed_km_h", "speed_km_h"),
    ("Grade", "grade_percent", "grade_percent"),
)
_HIGHEST: Sequence[tuple[str, str, str, str]] = (
    ("Highest heart rate", "maxima", "heart_rate_bpm", "heart_rate_max_bpm"),
    ("Highest RER", "maxima", "rer", "rer_max"),
    ("Highest ventilation", "maxima", "ve_l_min", "ve_max_l_min"),
    ("Highest work rate", "maxima", "work_rate_w", "work_rate_peak_w"),
    ("Highest speed", "maxima", "speed_km_h", "speed_peak_km_h"),
    ("Highest perceived exertion", "maxima", "rpe", "rpe_max"),
    ("Highest lactate", "maxima", "lactate_mmol_l", "lactate_max_mmol_l"),
    ("Heart-rate drop in 60 s", "recovery", "drop_60s_bpm", "heart_rate_drop_60s_bpm"),
    ("Heart-rate drop in 120 s", "recovery", "drop_120s_bpm", "heart_rate_drop_120s_bpm"),
)
_SEVERITIES = ("error", "warning", "info")
#: So many findings of one kind are written out.
_ALIKE = 3


def analysis_lines(document: Mapping[str, Any], *, width: int = WIDTH) -> Iterator[str]:
    """Lines of text for one analysis.

    Parameters
    ----------
    document : mapping
        The analysis object.
    width : int
        Characters of a line.

    Yields
    ------
    str
        Verdict, numbers, findings with what to do, what the verdict rests on, method and sources, cautions.
    """
    label = document["peak"]["label"] or "VO2peak"
    for part in (
        verdict_lines(document, label),
        _numbers(document, label),
        estimate_lines(document.get("estimates") or {}),
        _beyond_the_peak(document),
        _findings(document["findings"]),
        _grounds(document),
        _method(document),
        ("", *document["cautions"]),
    ):
        for line in part:
            yield from _wrapped(line, width)


def _wrapped(line: str, width: int) -> list[str]:
    """A line broken to the width; what follows is indented two characters deeper."""
    if len(line) <= width:
        return [line]
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(
        line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )


def verdict_lines(document: Mapping[str, Any], label: str) -> Iterator[str]:
    """The verdict: peak, effort, plateau, standing, and whether something has to be read first."""
    effort, plateau, peak = document["effort"], document["plateau"], document["peak"]
    absolute, relative = (
        None if peak[field] is None else QUANTITIES[quantity].show(peak[field])
        for field, quantity in (("vo2_ml_min", "vo2_peak_ml_min"), ("vo2_ml_kg_min", "vo2_peak_ml_kg_min"))
    )
    if absolute is None and relative is None:
        yield f"{label}: none. {peak.get('reason') or ''}".rstrip()
    else:
        how = "" if peak["basis"] == "measured" else f", {peak['basis']},"
        shown = relative if absolute is None else absolute if relative is None else f"{relative} ({absolute})"
        yield f"{label}{how} {shown}" + ("" if relative else " (give the body mass for mL/kg/min)")
    # What the words of a plateau say already is not said twice.
    yield _sentence(
        f"Effort: {VERDICTS[effort['verdict']]}",
        None if effort["verdict"] == "plateau" else effort.get("reason"),
    )
    primary = next((rule for rule in plateau["rules"] if rule["primary"]), None)
    why = primary["reason"] if primary is not None and plateau["verdict"] == "not_assessable" else None
    if plateau["verdict"] == "not_seen":
        why = "That is common in maximal tests and no fault of the test."
    yield _sentence(f"Plateau: {PLATEAU[plateau['verdict']]}", why)
    for number, line in enumerate(rank_lines(document["ranks"])):
        yield f"{'Standing:' if number == 0 else '         '} {line}"
    kinds = [group[0]["severity"] for group in finding_groups(document["findings"])]
    told = [
        f"{n} {severity}{'s' * (n > 1)}" for severity in ("error", "warning") if (n := kinds.count(severity))
    ]
    if told:
        yield f"Before you use these numbers, read the {' and '.join(told)} below."


def _sentence(text: str, reason: str | None) -> str:
    if not reason:
        return f"{text}."
    return f"{text}. {reason[0].upper()}{reason[1:].rstrip('.')}."


def where_the_peak_is(peak: Mapping[str, Any]) -> str:
    """How a peak was averaged, and from when to when."""
    where = ""
    if peak.get("start_s") is not None:
        where = f" from {_clock(peak['start_s'])} to {_clock(peak['end_s'])}"
    return f"{_convention(peak)}{where}"


def highest_values(document: Mapping[str, Any]) -> Iterator[tuple[str, str, float]]:
    """Words, quantity and value of the highest of each quantity in the test, as far as there are any."""
    for words, part, field, quantity in _HIGHEST:
        value = document[part].get(field)
        if value is not None:
            yield words, quantity, value


def values_of_the_peak(peak: Mapping[str, Any]) -> Iterator[tuple[str, str, float]]:
    """Words, quantity and value of what was measured inside the window of the peak."""
    for words, field, quantity in _IN_THE_WINDOW:
        if peak.get(field) is not None:
            yield words, quantity, peak[field]


def _numbers(document: Mapping[str, Any], label: str) -> Iterator[str]:
    peak = document["peak"]
    yield ""
    if peak["vo2_ml_min"] is not None or peak["vo2_ml_kg_min"] is not None:
        where = where_the_peak_is(peak) if peak["basis"] == "measured" else peak["basis"]
        yield f"Numbers of the peak ({where})"
        for quantity, field in (("vo2_peak_ml_min", "vo2_ml_min"), ("vo2_peak_ml_kg_min", "vo2_ml_kg_min")):
            if peak[field] is not None:
                yield _row(label, quantity, peak[field])
        for words, quantity, value in values_of_the_peak(peak):
            yield _row(words, quantity, value)
    yield "Numbers of the whole test"
    for words, quantity, value in highest_values(document):
        yield _row(words, quantity, value)
    duration = document["maxima"].get("exercise_duration_s")
    if duration is not None:
        yield f"  {'Duration of exercise':<28} {_clock(duration):>8} min:s"


def estimate_lines(estimates: Mapping[str, Any]) -> Iterator[str]:
    """Estimates of peak uptake without gas exchange, each with its error, or why a method says nothing."""
    items = estimates.get("items") or []
    if not items and not estimates.get("reason"):
        return
    yield "Estimates of peak uptake; none of them is a measurement"
    if estimates.get("reason"):
        yield f"  None: {estimates['reason']}"
    for one in items:
        mark = ", stands for the test" if one["method"] == estimates.get("chosen") else ""
        value, quantity = one["value_ml_kg_min"], QUANTITIES["vo2_peak_ml_kg_min"]
        error = one["standard_error_ml_kg_min"]
        if value is None:
            value, quantity = one["value_ml_min"], QUANTITIES["vo2_peak_ml_min"]
            error = one["standard_error"] if one["unit"] == quantity.unit else None
        if value is None:
            yield "  " + _sentence(f"{one['label']}: not given", one["reason"])
            continue
        spread = "no standard error published" if error is None else f"standard error {quantity.show(error)}"
        yield f"  {one['label']}: {quantity.show(value)}, {spread} ({one['trust']}{mark})"
        for remark in one["findings"]:
            yield f"    {remark['message']}"


_AGREED = {"vt1": "First ventilatory threshold", "vt2": "Second ventilatory threshold"}
_SLOPES = (
    ("VE/VCO2 slope to the 2nd", "ve_vco2_slope", "ve_vco2_slope"),
    ("VE/VCO2 slope, whole", "ve_vco2_slope_whole", "ve_vco2_slope"),
    ("VO2-work rate slope", "vo2_work_rate_slope_ml_min_w", "vo2_work_rate_slope_ml_min_w"),
    ("Uptake efficiency slope", "oues_ml_min", "oues_ml_min"),
)


def _beyond_the_peak(document: Mapping[str, Any]) -> Iterator[str]:
    """Thresholds, slopes and energy where they can be had; why not stands in the JSON form."""
    told = [
        f"  {words}: {_threshold(one)}"
        for one in document["thresholds"]
        for words in [_AGREED.get(one["threshold"])]
        if words is not None and one["method"] in {"consensus", "tester"} and one["vo2_ml_min"] is not None
    ]
    told += [
        _row(words, quantity, document["slopes"][name])
        for words, name, quantity in _SLOPES
        if document["slopes"].get(name) is not None
    ]
    if document["energy"].get("total_kcal") is not None:
        told.append(f"  {'Energy, by oxygen':<28} {document['energy']['total_kcal']:>8.0f} kcal")
    if told:
        yield "Thresholds, slopes and energy"
        yield from told


def _threshold(one: Mapping[str, Any]) -> str:
    words = f"{QUANTITIES['vt1_vo2_ml_min'].show(one['vo2_ml_min'])}"
    if one["percent_of_peak"] is not None:
        words += f", {one['percent_of_peak']:.0f} % of the peak"
    if one["heart_rate_bpm"] is not None:
        words += f", {QUANTITIES['heart_rate_bpm'].show(one['heart_rate_bpm'])}"
    if one["work_rate_lag_corrected_w"] is not None:
        words += f", {QUANTITIES['work_rate_w'].show(one['work_rate_lag_corrected_w'])} corrected for lag"
    who = "set by the tester" if one["basis"] == "tester" else "methods agree"
    return f"{words} ({who})"


def _row(words: str, quantity: str, value: float) -> str:
    number, _, unit = QUANTITIES[quantity].show(value).partition(" ")
    return f"  {words:<28} {number:>8} {unit}".rstrip()


def _convention(settings: Mapping[str, Any]) -> str:
    """The convention of a peak with its window."""
    words = str(settings.get("convention") or settings.get("peak_convention") or "as reported").replace(
        "_", " "
    )
    for name, unit in (("window_breaths", "breaths"), ("effective_window_s", "s"), ("window_s", "s")):
        value = settings.get(name)
        if value is not None:
            return f"{words}, {value:.4g} {unit}"
    return words


def rank_lines(ranks: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """A line for each standing that says something; then why there is none from the other tables."""
    silent: dict[str, list[str]] = {}
    unpredicted = []
    for rank in ranks:
        where = f"of {rank['norm_id']} ({rank['age_band']} years)"
        if rank["reference"] == "median_only" and rank["percent_of_median"] is not None:
            yield f"{rank['percent_of_median']:.0f} % of the median {where}; only medians are published, so no percentile"
        elif rank["bound"] is not None:
            yield f"{rank['bound']} the {'highest' if rank['bound'] == 'above' else 'lowest'} percentile {where}"
        elif rank["percentile"] is not None:
            yield f"{_percentile(rank)} {where}"
        elif rank["percent_of_predicted"] is not None:
            yield f"{rank['percent_of_predicted']:.0f} % of predicted for body size by {rank['norm_id']}; not a percentile"
        elif rank["reference"] == "predicted_for_body_size":
            unpredicted.append(rank["norm_id"])
        elif rank["reason"]:
            silent.setdefault(rank["reason"], []).append(rank["norm_id"])
    for reason, names in silent.items():
        yield f"none from {', '.join(names)}: {reason}"
    if unpredicted:
        names = unpredicted if len(unpredicted) < 3 else [f"{len(unpredicted)} equations"]
        yield f"no prediction for body size by {' and '.join(names)}; the JSON form says why"


def names_of(tables: Iterable[tuple[str, str]]) -> dict[str, str]:
    """What equations and tables are called, by id; an equation with whose it is.

    Parameters
    ----------
    tables : iterable of (id, name)
        Reference tables of the record.
    """
    equations = {
        one.id: f"{one.label} ({REFERENCES[one.source].text.partition(',')[0]} {one.source[-4:]})"
        for one in METHODS.values()
        if one.source in REFERENCES
    }
    return equations | dict(tables)


def with_names(line: str, names: Mapping[str, str]) -> str:
    """A line in which what has a name is called by it, and not by its id."""
    return re.sub(r"\w+", lambda found: names.get(found.group(), found.group()), line)


def ordinal(number: int) -> str:
    """A whole number with its ending: 1st, 2nd, 3rd, 4th, 11th, 21st."""
    ending = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def _rounded(percentile: float) -> int:
    # To 5, as a percentile read off a printed table is known no better.
    return max(5, min(95, 5 * round(percentile / 5)))


def _percentile(rank: Mapping[str, Any]) -> str:
    text = f"about the {ordinal(_rounded(rank['percentile']))} percentile"
    low, high = rank["percentile_low"], rank["percentile_high"]
    if low is not None and high is not None:
        text += f" ({ordinal(_rounded(low))} to {ordinal(_rounded(high))} within one typical error)"
    return text


def finding_groups(findings: Sequence[Mapping[str, Any]]) -> list[list[Mapping[str, Any]]]:
    """Findings by severity; those of one kind and column together."""
    groups: dict[tuple[int, str, Any], list[Mapping[str, Any]]] = {}
    for finding in findings:
        key = (_SEVERITIES.index(finding["severity"]), finding["code"], finding.get("column"))
        groups.setdefault(key, []).append(finding)
    return [groups[key] for key in sorted(groups, key=lambda key: key[0])]


def _findings(findings: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """What asks for a look, with what to do; then what was assumed."""
    groups = finding_groups(findings)
    serious = [group for group in groups if group[0]["severity"] != "info"]
    yield ""
    yield "Findings, and what to do" if serious else "Findings: nothing that asks for a look"
    for group in serious:
        for finding in group[:_ALIKE]:
            yield f"  {finding['severity']}: {finding['message']}{_place(finding)}"
        if len(group) > _ALIKE:
            yield f"    and {len(group) - _ALIKE} more like it; the JSON form has them all"
        yield f"    > {group[0]['what_to_do']}"
    assumed = [finding for group in groups if group[0]["severity"] == "info" for finding in group]
    if assumed:
        yield ""
        yield "Read and assumed"
    advised = set()
    for finding in assumed:
        # "Nothing." is no advice, and the same advice is given once.
        advice = finding["what_to_do"]
        told = "" if advice == "Nothing." or advice in advised else f" {advice}"
        advised.add(advice)
        yield f"  {finding['message']}{_place(finding)}{told}"


def _place(finding: Mapping[str, Any]) -> str:
    row, column = finding.get("row"), finding.get("column")
    told = [f"row {row}"] * (row is not None and str(row) not in finding["message"])
    told += [f"column {column}"] * (column is not None and str(column) not in finding["message"])
    return f" ({', '.join(told)})" if told else ""


def _grounds(document: Mapping[str, Any]) -> Iterator[str]:
    yield ""
    yield "What the verdict rests on"
    silent = []
    for rule in document["plateau"]["rules"]:
        if not rule["primary"] and rule["verdict"] == "not_assessable":
            silent.append(_words(rule["rule"]))
            continue
        words = plateau_words(rule)
        yield f"  Plateau, {words[0].lower()}{words[1:]}: {of_rule(rule)}{'' if rule['primary'] else ' (shown, not counted)'}"
    if silent:
        yield f"  Other plateau rules, not assessable in this test: {', '.join(silent)} (the JSON form says why)"
    for criterion in document["effort"]["criteria"]:
        words = CRITERIA.get(criterion["criterion"]) or _words(criterion["criterion"])
        met = {True: "met", False: "not met", None: "not assessable"}[criterion["met"]]
        text = met
        if criterion["observed"] is not None and criterion["threshold"] is not None:
            unit = f" {criterion['unit']}" if criterion["unit"] else ""
            text += f", {criterion['observed']:.4g}{unit} against {criterion['threshold']:.4g}{unit}"
        if not criterion["counts"]:
            text += " (shown, never counted)"
        yield f"  {_sentence(f'{words}: {text}', criterion['reason'])}"


def plateau_words(rule: Mapping[str, Any]) -> str:
    """What a plateau rule is called."""
    return PLATEAU_RULES[rule["rule"]].label if rule["rule"] in PLATEAU_RULES else _words(rule["rule"])


def of_rule(rule: Mapping[str, Any]) -> str:
    """What a plateau rule found, with its numbers, or why it cannot be asked."""
    verdict = PLATEAU[rule["verdict"]]
    if rule["observed"] is None or rule["threshold"] is None:
        return _sentence(verdict, rule["reason"])
    unit = rule["unit"]
    digits = 1 if unit == "mL/kg/min" else 0
    text = f"{verdict}, uptake rose by {rule['observed']:.{digits}f} {unit}"
    if rule["observed"] < 0:
        text = f"{verdict}, uptake fell by {-rule['observed']:.{digits}f} {unit}"
    if rule["expected_rise"] is not None:
        text += f" where {rule['expected_rise']:.{digits}f} were expected"
    return _sentence(f"{text}; a plateau is a rise below {rule['threshold']:.{digits}f}", rule["reason"])


def _method(document: Mapping[str, Any]) -> Iterator[str]:
    """Method, settings and version, and the sources of what was used."""
    settings = document["settings"]
    window = settings.get("peak_window_s")
    breaths = settings.get("peak_window_breaths")
    told = [
        f"peak {_words(settings['peak_convention'])}, {f'{breaths:g} breaths' if breaths is not None else f'{window:g} s'}",
        f"effort rules {_words(settings['effort_rules'])}",
        f"plateau rule {_words(settings['plateau_rule'] or 'by the shape of the test')}",
        f"predicted heart rate by {settings['heart_rate_max_method']}",
    ]
    yield ""
    yield f"Method: {'; '.join(told)}. Analysis version {document['analysis_version']}."
    yield from breath_lines(document.get("breath_care") or {})
    keys = dict.fromkeys(key for source in sources_of(document) for key in cited_keys(source))
    if keys:
        yield "Sources"
        for key in keys:
            yield f"  {REFERENCES[key].text}"


def breath_lines(care: Mapping[str, Any]) -> Iterator[str]:
    """Which breaths were left out, and how the rest was averaged for each part."""
    if not care or not care["averaging"]:
        return
    if not care["applied"]:
        yield _sentence(f"No breath was left out by a rule: {_lowered(care['reason']).rstrip('.')}", None)
    else:
        n = care["n_left_out"]
        words = f"{n} of {care['n_breaths']} breaths left out by the rule {care['rule']}, which {care['rule_text']}"
        if care["n_restored"]:
            words += f"; {care['n_restored']} that it marked kept by hand"
        yield f"Breaths: {words}."
    yield "Averaging"
    for one in care["averaging"]:
        yield f"  {_words(one['part']).capitalize()}: {one['text']}"


def _lowered(sentence: str) -> str:
    return f"{sentence[0].lower()}{sentence[1:]}"


def sources_of(document: Mapping[str, Any]) -> Iterator[str]:
    """The sources that the verdict and the standing rest on, as they are cited."""
    for rule in document["plateau"]["rules"]:
        if rule["verdict"] != "not_assessable":
            yield rule["source"]
    for criterion in document["effort"]["criteria"]:
        if criterion["met"] is not None:
            yield criterion["source"]
    for rank in document["ranks"]:
        if any(
            rank[name] is not None for name in ("percentile", "percent_of_median", "percent_of_predicted")
        ):
            yield rank["source"]
    for one in (document.get("estimates") or {}).get("items") or []:
        if one["applies"]:
            yield one["source"]


def setting_in_words(name: str, value: Any) -> Any:
    """The value of a setting of an analysis as people say it; a number stays one, and None is said of nothing.

    Parameters
    ----------
    name : str
        One of `SETTINGS`.
    value : str, float or None
    """
    if name == "plateau_rule" and value is None:
        return "by the shape of the test"
    if not isinstance(value, str):
        return value
    if name == "plateau_rule" and value in PLATEAU_RULES:
        return PLATEAU_RULES[value].label
    if name == "effort_rules" and value in RULE_SETS:
        return RULE_SETS[value].name
    if name == "heart_rate_max_method" and value in METHODS:
        return METHODS[value].label
    return BREATH_RULES.get(value, _words(value)) if name == "aberrant_breaths" else _words(value)


def _words(identifier: str) -> str:
    return identifier.replace("_", " ")


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def trend_lines(trend: Mapping[str, Any], *, width: int = WIDTH) -> Iterator[str]:
    """Lines of text for one trend.

    Parameters
    ----------
    trend : mapping
        The trend as it is served.
    width : int
        Characters of a line.
    """
    for line in _trend(trend):
        yield from _wrapped(line, width)


def _trend(trend: Mapping[str, Any]) -> Iterator[str]:
    quantity = QUANTITIES[trend["quantity"]]
    yield f"{quantity.label}, {quantity.unit or 'ratio'}"
    if not trend["series"]:
        yield "No results yet."
    for series in trend["series"]:
        told = [
            series["mode"] or "any mode",
            series["basis"],
            f"{_words(series['protocol_family'])} protocol"
            if series["protocol_family"]
            else "no protocol named",
        ]
        yield ""
        yield ", ".join(told)
        for point in series["points"]:
            yield from _point(point, quantity.key)
        yield from _summary(series, quantity.key)
    due = trend.get("next_test_due")
    if trend.get("notes") or due is not None:
        yield ""
    yield from trend.get("notes") or ()
    if due is not None:
        yield due_in_words(due)


def due_in_words(due: Mapping[str, Any], display: Display = NEUTRAL, *, today: date | None = None) -> str:
    """When the next test of a person is due, and why.

    Parameters
    ----------
    due : mapping
        In the form that is served.
    display : Display
        How its dates are written.
    today : date, optional
        Tells whether the day has passed.

    Returns
    -------
    str
        A sentence.
    """
    if due["due_on"] is None:
        reason = due["reason"]
        return f"No next test is due: {reason[:1].lower()}{reason[1:]}"
    day = date.fromisoformat(str(due["due_on"]))
    passed = today is not None and day < today
    why = (
        "a tester set that day"
        if due["set_by"] == "tester"
        else "by the site's interval"
        if due["last_test_on"] is None
        else f"by the site's interval after the test of {display.day(str(due['last_test_on']))}"
    )
    return f"The next test {'was' if passed else 'is'} due on {display.day(day)}, {why}."


def _point(point: Mapping[str, Any], key: str) -> Iterator[str]:
    quantity = QUANTITIES[key]
    line = f"  {point['date']}  {quantity.show(point['value']):>16}"
    if point["percentile"] is not None:
        line += f"  about the {ordinal(_rounded(point['percentile']))} percentile of {point['norm_id']}"
    elif point["percent_of_median"] is not None:
        line += f"  {point['percent_of_median']:.0f} % of the median of {point['norm_id']}"
    if point["effort"]:
        line += f"  effort: {_words(point['effort'])}"
    if not point["counted"]:
        line += "  not counted"
    yield line
    for note in () if point["counted"] else point["notes"]:
        yield f"      {note}"
    change = point["change_from_previous"]
    if change is not None:
        yield f"      {_change(change, quantity.decimals)}"


def _summary(series: Mapping[str, Any], key: str) -> Iterator[str]:
    quantity = QUANTITIES[key]
    first = next(
        (
            point["change_from_first"]
            for point in reversed(series["points"])
            if point["counted"] and point["change_from_first"] is not None
        ),
        None,
    )
    if first is not None and len(series["points"]) > 2:
        yield f"  Since the first test: {_change(first, quantity.decimals)}"
    for words, value, limits in (
        ("Slope", "slope_per_year", ("slope_ci_low", "slope_ci_high")),
        ("Theil-Sen slope", "theil_sen_per_year", ("theil_sen_ci_low", "theil_sen_ci_high")),
    ):
        if series.get(value) is None:
            continue
        line = f"  {words} {series[value]:+.{quantity.decimals}f} {quantity.unit} a year".replace(
            "  a year", " a year"
        )
        if series[limits[0]] is not None:
            low, high = (f"{series[name]:+.{quantity.decimals}f}" for name in limits)
            line += f" (95 % interval {low} to {high})"
        yield line
    error = series["typical_error"]
    if error is not None:
        yield f"  Typical error of one test {error['value']:g} {error['unit']}. {_cited(error['source'])}"
    for note in series.get("notes") or ():
        yield f"  {note}"


def _cited(source: str) -> str:
    """A source as a person reads it: the texts of its keys, or itself."""
    keys = cited_keys(source)
    return " ".join(REFERENCES[key].text for key in dict.fromkeys(keys)) if keys else f"Source: {source}."


CHANGES: Mapping[str, str] = {
    "improved": "improved by more than chance",
    "declined": "declined by more than chance",
    "within_error": "within what two tests of one person differ by chance",
    "unclear": "unclear",
}


def _change(change: Mapping[str, Any], decimals: int) -> str:
    # There is no percent of a value that is not above zero.
    percent = "" if change["percent"] is None else f" ({change['percent']:+.1f} %)"
    text = f"{change['absolute']:+.{decimals}f}{percent}: {CHANGES[change['verdict']]}"
    if change["verdict"] == "unclear" and change["notes"]:
        text += f". {change['notes'][0]}"
    return text
