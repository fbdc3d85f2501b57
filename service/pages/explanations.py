"""What stands behind each number of a page: what it is, how it was had, and from which source.

Nothing is said here that does not stand in the analysis, the registry or the bibliography.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.analysis.references import REFERENCES, cited_keys
from service.analysis.summary import RESULT_PLACES
from service.analysis.thresholds import READ_AT
from service.outlets.text import where_the_peak_is
from service.quantities import QUANTITIES

#: The highest value of the test that a criterion of effort is asked of.
_OF_CRITERION = {
    "respiratory_exchange_ratio": "rer_max",
    "perceived_exertion": "rpe_max",
    "blood_lactate": "lactate_max_mmol_l",
    "heart_rate_near_predicted": "heart_rate_max_bpm",
}
_UPTAKE = frozenset({"vo2_ml_min", "vo2_ml_kg_min", "mets"})
_NO_SOURCE = frozenset({"common practice, no source", "project default"})


@dataclass(frozen=True, slots=True)
class Explanation:
    """What stands behind one number.

    Attributes
    ----------
    what : str
        In words.
    how : tuple of str
        Method, window, settings; a sentence each.
    sources : tuple of str
        Citations, or that there is none.
    quantity : str
        Of the registry, where it is one: the page adds the unit that it is shown in.
    """

    what: str
    how: tuple[str, ...]
    sources: tuple[str, ...]
    quantity: str = ""


def citations(source: str) -> tuple[str, ...]:
    """The parts of a source, each with its citation in the place of its key."""
    told = []
    for part in source.split("; "):
        text = part
        for key in dict.fromkeys(cited_keys(part)):
            text = re.sub(rf"\b{key}\b", lambda _, key=key: REFERENCES[key].text, text)  # type: ignore[misc]
        told.append(text.rstrip("."))
    return tuple(told)


def of_result(document: Mapping[str, Any], quantity: str) -> Explanation:
    """A result of a test, or another value in the window of its peak.

    Parameters
    ----------
    document : mapping
        The analysis object.
    quantity : str
        Key in the registry.
    """
    part, field = RESULT_PLACES.get(quantity, ("peak", quantity))
    source = document[part]["sources"][field]
    how = tuple(filter(None, _how(document, part, field, quantity)))
    return Explanation(QUANTITIES[quantity].label, how, citations(_cited(source)), quantity)


def _how(document: Mapping[str, Any], part: str, field: str, quantity: str) -> Iterator[str]:
    """Sentences; one that has nothing to say is empty."""
    peak, averaging = document["peak"], _averaging(document)
    source = document[part]["sources"][field]
    if part == "peak" and peak["basis"] == "measured":
        yield f"Window of the peak: {where_the_peak_is(peak)}."
        yield _sentence(averaging.get("peak", "") if field in _UPTAKE else _told(source))
    elif part == "peak":
        yield f"It is {peak['basis']}, not measured here."
    elif window := document[part].get("windows_s", {}).get(field):
        yield f"Highest mean over {window:g} s."
    else:
        yield _sentence(_told(source))
    error = QUANTITIES[quantity].typical_error
    if error is not None:
        unit = "%" if error.scale == "log" else QUANTITIES[quantity].unit
        yield f"Typical error of one test: {error.value:g} {unit} ({'; '.join(citations(error.source))})."
    yield f"Analysis version {document['analysis_version']}."


def _averaging(document: Mapping[str, Any]) -> dict[str, str]:
    return {one["part"]: one["text"] for one in (document.get("breath_care") or {}).get("averaging", [])}


def _told(source: str) -> str:
    """What a source says itself where it names no other."""
    return "" if cited_keys(source) or source in _NO_SOURCE else source


def _cited(source: str) -> str:
    """The source without what `_told` says already."""
    bracket = re.search(r"\(([^()]*)\)$", source)
    return source if cited_keys(source) or bracket is None else bracket.group(1)


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:].rstrip('.')}." if text else ""


def of_criterion(
    document: Mapping[str, Any], criterion: Mapping[str, Any]
) -> tuple[Explanation, Explanation]:
    """What a criterion of effort is asked of, and what it is held against."""
    quantity = _OF_CRITERION[criterion["criterion"]]
    effort = document["effort"]
    observed = of_result(document, quantity)
    counts = "It counts." if criterion["counts"] else "It is shown and never counted."
    against = Explanation(
        f"{QUANTITIES[quantity].label}: the limit that is asked",
        (f"Rule set of effort: {effort['rule_set_name']}.", counts),
        citations(criterion["source"]),
        quantity,
    )
    return observed, against


def of_rule(rule: Mapping[str, Any], label: str) -> Explanation:
    """The numbers of a plateau rule."""
    how = [] if rule["window_s"] is None else [f"Means over {rule['window_s']:g} s."]
    if rule.get("standard_error") is not None:
        how.append(f"Standard error of the rise {rule['standard_error']:.0f} {rule['unit']}.")
    return Explanation(label, tuple(how), citations(rule["source"]))


def of_verification(bout: Mapping[str, Any] | None) -> Explanation | None:
    """The peak of a verification bout, where there is one."""
    if bout is None:
        return None
    how = [f"It confirms within {bout['tolerance_percent']:g} % of the main test, either way."]
    if bout["difference_percent"] is not None:
        how.append(f"It differs by {bout['difference_percent']:+.1f} %.")
    if bout["duration_s"] is not None:
        how.append(f"The bout lasted {bout['duration_s']:.0f} s.")
    return Explanation(
        "Peak of the verification bout", tuple(how), citations(bout["source"]), "vo2_peak_ml_min"
    )


def of_threshold(document: Mapping[str, Any], one: Mapping[str, Any]) -> dict[str, Explanation]:
    """The numbers of a threshold by one method, by field."""
    name, uptake = one["threshold"].upper(), QUANTITIES["vt1_vo2_ml_min"]
    method = f"Method: {one['method'].replace('_', ' ')}."
    sources = citations(one["source"])
    smoothed = _averaging(document).get("thresholds")
    interval = (
        ()
        if one["ci_low_ml_min"] is None
        else (f"95 % interval {uptake.show(one['ci_low_ml_min'])} to {uptake.show(one['ci_high_ml_min'])}.",)
    )
    fitted = (f"Uptake in the fit: {smoothed}.",) if smoothed and one["basis"] == "computed" else ()
    why = (one["reason"],) if one["basis"] == "tester" and one["reason"] else ()
    lag = tuple(found["message"] for found in document["findings"] if found["code"] == "threshold_lag")
    answer = {
        "vo2_ml_min": Explanation(
            f"Oxygen uptake at {name}", (method, *why, *interval, *fitted), sources, "vt1_vo2_ml_min"
        )
    }
    for field, quantity in (
        ("heart_rate_bpm", "heart_rate_bpm"),
        ("work_rate_lag_corrected_w", "work_rate_w"),
        ("speed_km_h", "speed_km_h"),
    ):
        more = lag if field == "work_rate_lag_corrected_w" else ()
        answer[field] = Explanation(
            f"{QUANTITIES[quantity].label} at {name}", (method, READ_AT[field], *more), sources, quantity
        )
    answer["percent_of_peak"] = Explanation(
        f"{name} in per cent of the peak uptake", (method, READ_AT["percent_of_peak"]), sources
    )
    return answer


def of_standing(rank: Mapping[str, Any], name: str) -> Explanation:
    """A standing in the table or against the equation of this name."""
    how = [f"People: {rank['population']}."]
    if rank["age_band"]:
        counted = "" if rank["n"] is None else f", {rank['n']} tests"
        how.append(f"Age band {rank['age_band']} years{counted}.")
    if rank["reason"]:
        how.append(rank["reason"])
    return Explanation(name, tuple(how), citations(rank["source"]))


def of_estimate(one: Mapping[str, Any]) -> Explanation:
    """An estimate of peak uptake without gas exchange."""
    how = [f"Method: {one['label']}. It is an estimate ({one['trust']}), not a measurement."]
    given = "; ".join(f"{name.replace('_', ' ')} {value}" for name, value in one["inputs"].items())
    if given:
        how.append(f"From: {given}.")
    key = "vo2_peak_ml_kg_min"
    return Explanation(QUANTITIES[key].label, tuple(how), citations(one["source"]), key)
