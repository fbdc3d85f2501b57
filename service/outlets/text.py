"""An analysis for a person at a terminal: the verdict first, then the numbers, then what to look at."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.quantities import QUANTITIES

VERDICTS: Mapping[str, str] = {
    "verified": "maximal, confirmed by a verification bout",
    "plateau": "maximal: uptake levelled off although the load rose",
    "secondary_criteria": "maximal by secondary criteria",
    "submaximal": "submaximal",
    "undetermined": "undetermined: neither shown to be maximal nor shown not to be",
}

PLATEAU: Mapping[str, str] = {
    "seen": "seen",
    "not_seen": "not seen (common in maximal tests, and no fault of the test)",
    "not_assessable": "not assessable",
}

#: Rows of the table: words, part and field of the analysis, quantity for unit and decimals.
_ROWS: Sequence[tuple[str, str, str, str]] = (
    ("", "peak", "vo2_ml_min", "vo2_peak_ml_min"),
    ("", "peak", "vo2_ml_kg_min", "vo2_peak_ml_kg_min"),
    ("METs", "peak", "mets", "mets_peak"),
    ("RER in that window", "peak", "rer", "rer"),
    ("Ventilation in that window", "peak", "ve_l_min", "ve_l_min"),
    ("Heart rate in that window", "peak", "heart_rate_bpm", "heart_rate_bpm"),
    ("Work rate in that window", "peak", "work_rate_w", "work_rate_w"),
    ("Speed in that window", "peak", "speed_km_h", "speed_km_h"),
    ("O2 pulse in that window", "peak", "o2_pulse_ml_beat", "o2_pulse_peak_ml_beat"),
    ("Highest heart rate", "maxima", "heart_rate_bpm", "heart_rate_max_bpm"),
    ("Highest RER", "maxima", "rer", "rer_max"),
    ("Highest ventilation", "maxima", "ve_l_min", "ve_max_l_min"),
    ("Highest work rate", "maxima", "work_rate_w", "work_rate_peak_w"),
    ("Highest speed", "maxima", "speed_km_h", "speed_peak_km_h"),
    ("Highest RPE", "maxima", "rpe", "rpe_max"),
    ("Highest lactate", "maxima", "lactate_mmol_l", "lactate_max_mmol_l"),
    ("Fall of heart rate in 60 s", "recovery", "drop_60s_bpm", "heart_rate_drop_60s_bpm"),
    ("Duration of exercise", "maxima", "exercise_duration_s", "exercise_duration_s"),
)


def analysis_lines(document: Mapping[str, Any]) -> Iterator[str]:
    """Lines of text for one analysis.

    Parameters
    ----------
    document : mapping
        The analysis object.

    Yields
    ------
    str
        Verdict, numbers, criteria, standing, findings, cautions.
    """
    effort, plateau, peak = document["effort"], document["plateau"], document["peak"]
    label = peak["label"] or "VO2peak"
    relative = QUANTITIES["vo2_peak_ml_kg_min"].show(peak["vo2_ml_kg_min"])
    absolute = QUANTITIES["vo2_peak_ml_min"].show(peak["vo2_ml_min"])
    if peak["vo2_ml_min"] is None:
        yield f"{label}: cannot be had. {peak.get('reason') or ''}".rstrip()
    elif peak["vo2_ml_kg_min"] is None:
        yield f"{label} {absolute}"
    else:
        yield f"{label} {relative} ({absolute})"
    yield f"Effort: {VERDICTS[effort['verdict']]}."
    yield f"Plateau: {PLATEAU[plateau['verdict']]}."
    yield from (f"Standing: {line}" for line in rank_lines(document["ranks"]))
    yield ""
    yield from _numbers(document, label)
    yield ""
    yield "What the verdict rests on"
    for rule in plateau["rules"]:
        if rule["primary"]:
            yield f"  plateau, {_words(rule['rule'])}: {_judged(rule, PLATEAU[rule['verdict']].split(' (')[0])}"
    for criterion in effort["criteria"]:
        met = {True: "met", False: "not met", None: "not assessable"}[criterion["met"]]
        shown = " (shown, never counted)" if not criterion["counts"] else ""
        yield f"  {_words(criterion['criterion'])}: {_judged(criterion, met)}{shown}"
    yield ""
    yield "Findings" if document["findings"] else "Findings: none"
    for finding in sorted(
        document["findings"], key=lambda one: ("error", "warning", "info").index(one["severity"])
    ):
        yield f"  {finding['severity']}: {finding['message']}"
        yield f"      {finding['what_to_do']}"
    yield ""
    yield from document["cautions"]


def _numbers(document: Mapping[str, Any], label: str) -> Iterator[str]:
    peak = document["peak"]
    window = f"{peak['convention'].replace('_', ' ')}" if peak.get("convention") else "no convention"
    if peak.get("effective_window_s") is not None:
        window += f", {peak['effective_window_s']:g} s"
    if peak.get("start_s") is not None:
        window += f", from {_clock(peak['start_s'])} to {_clock(peak['end_s'])}"
    yield f"Numbers ({label}: {window})"
    for words, part, field, quantity in _ROWS:
        value = document[part].get(field)
        if value is not None:
            yield f"  {words or label:<28} {QUANTITIES[quantity].show(value):>18}"


def rank_lines(ranks: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """A line for each standing that says something; then why there is none from the other tables."""
    silent = []
    for rank in ranks:
        if rank["percentile"] is not None or rank["bound"] is not None:
            yield f"{_percentile(rank)} of {rank['norm_id']} ({rank['age_band']} years)"
        elif rank["percent_of_median"] is not None:
            yield f"{rank['percent_of_median']:.0f} % of the median of {rank['norm_id']} ({rank['age_band']} years)"
        elif rank["reference"] == "predicted_for_body_size":
            if rank["percent_of_predicted"] is not None:
                yield f"{rank['percent_of_predicted']:.0f} % of predicted for body size by {rank['norm_id']} (no percentile)"
        else:
            silent.append(f"none from {rank['norm_id']}: {rank['reason']}")
    yield from silent


def _percentile(rank: Mapping[str, Any]) -> str:
    if rank["bound"] is not None:
        return f"{rank['bound']} the tabulated percentiles"
    rounded = max(5, min(95, 5 * round(rank["percentile"] / 5)))
    text = f"about the {rounded}th percentile"
    if rank["percentile_low"] is not None and rank["percentile_high"] is not None:
        text += f" ({rank['percentile_low']:.0f}-{rank['percentile_high']:.0f} within one typical error)"
    return text


def _judged(rule: Mapping[str, Any], verdict: str) -> str:
    if rule["observed"] is None or rule["threshold"] is None:
        return f"{verdict}. {rule['reason'] or ''}".rstrip()
    unit = f" {rule['unit']}" if rule["unit"] else ""
    text = f"{verdict}: {rule['observed']:.4g}{unit}, threshold {rule['threshold']:.4g}{unit}"
    return f"{text}. {rule['reason']}" if rule["reason"] else text


def _words(identifier: str) -> str:
    return identifier.replace("_", " ")


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def trend_lines(trend: Mapping[str, Any]) -> Iterator[str]:
    """Lines of text for one trend."""
    quantity = QUANTITIES[trend["quantity"]]
    yield f"{quantity.label}, {quantity.unit or 'ratio'}"
    if not trend["series"]:
        yield "No results yet."
    for series in trend["series"]:
        told = [
            series["mode"] or "any mode",
            series["basis"],
            series["protocol_family"] or "no protocol family",
        ]
        yield ""
        yield ", ".join(told)
        for point in series["points"]:
            line = f"  {point['date']}  {quantity.show(point['value']):>16}"
            if point["percentile"] is not None:
                line += f"  about the {max(5, min(95, 5 * round(point['percentile'] / 5)))}th percentile"
            elif point["percent_of_median"] is not None:
                line += f"  {point['percent_of_median']:.0f} % of the median"
            if not point["counted"]:
                line += "  (not counted)"
            yield line
            if (change := point["change_from_previous"]) is not None:
                yield f"      {_change(change, quantity.decimals)}"
        error = series["typical_error"]
        if error is not None:
            yield f"  Typical error {error['value']:g} {error['unit']} ({error['source']})"
        if series["slope_per_year"] is not None and series["slope_ci_low"] is not None:
            yield (
                f"  Slope per year {series['slope_per_year']:+.{quantity.decimals}f} "
                f"({series['slope_ci_low']:+.{quantity.decimals}f} to {series['slope_ci_high']:+.{quantity.decimals}f})"
            )


CHANGES: Mapping[str, str] = {
    "improved": "improved: more than chance",
    "declined": "declined: more than chance",
    "within_error": "within what two tests of one person differ by chance",
    "unclear": "unclear",
}


def _change(change: Mapping[str, Any], decimals: int) -> str:
    text = f"{change['absolute']:+.{decimals}f} ({change['percent']:+.1f} %) from the test before: {CHANGES[change['verdict']]}"
    if change["verdict"] == "unclear" and change["notes"]:
        text += f". {change['notes'][0]}"
    return text
