"""Walks an analysis document: which numbers name no source, and which missing ones no reason."""

from collections.abc import Iterator, Mapping
from typing import Any

from service.analysis.references import REFERENCES, cited_keys

#: What is no finding about the person: who chose what, where a remark is, which rows.
_NOT_RESULTS = frozenset(
    {"settings", "findings", "cautions", "cautions_of_test", "reasons", "settings_changed_since"}
)
#: Null means "not of this kind" there, and says nothing about the test: an open end, another unit of the window, no bound.
_MAY_BE_NULL = frozenset(
    {
        "window_breaths", "window_s", "convention", "bound", "label", "rpe_scale", "lower_limit", "see", "standard_error",
        "norm_id",
        "low_percent", "high_percent", "remark", "line", "curve", "residual_sd_mmol_l", "standard_error_ml_kg_min",
        # Facts that nobody recorded.
        "active", "posture", "sample_site", "analyser", "fasted", "hours_since_meal", "edge", "covered_fraction", "fit",
    }
)  # fmt: skip
#: Rows as recorded have what the test has.
_ROWS = ("stages[]", "substrates[]", "readings[]", "highest_fat")
#: A standing has one of these, and the reason is about the percentile.
_OF_A_RANK = frozenset({"ranks[].z", "ranks[].percent_of_predicted", "ranks[].percent_of_median"})


def numbers(document: Mapping[str, Any]) -> Iterator[tuple[str, float, tuple[str, ...]]]:
    """Every number of the parts of an analysis with its path and the sources that hold for it."""

    def walk(node: Any, path: str, held: tuple[str, ...]) -> Iterator[tuple[str, float, tuple[str, ...]]]:
        if isinstance(node, list):
            for one in node:
                yield from walk(one, f"{path}[]", held)
        elif isinstance(node, Mapping):
            own = tuple(str(value) for key, value in node.items() if key.endswith("source") and value)
            named = node.get("sources") or {}
            every = () if path in by_field else tuple(named.values())
            for key, value in node.items():
                if key == "sources":
                    continue
                its = (named[key],) if key in named else ()
                yield from walk(value, f"{path}.{key}", (*its, *own, *every, *held))
        elif isinstance(node, (int, float)) and not isinstance(node, bool):
            yield path, float(node), held

    # There each field has its own source, and one that is not named has none.
    by_field = {"peak", "maxima", "gas_exchange", "reserves", "recovery", "slopes", "breath_care"}
    by_field |= {"lactate", "blood_pressure"}
    for part, value in document.items():
        if part not in _NOT_RESULTS:
            yield from walk(value, part, ())


def untraced(document: Mapping[str, Any]) -> set[str]:
    """Paths of numbers that no source stands for, or whose source cites what there is no reference of."""
    return {
        path
        for path, _, sources in numbers(document)
        if not sources or any(key not in REFERENCES for text in sources for key in cited_keys(text))
    } - {"marks.exercise_start_s", "marks.exercise_end_s"}


def unexplained(document: Mapping[str, Any]) -> set[str]:
    """Paths of what is null and has no reason, beside it or around it."""

    def walk(node: Any, path: str, told: bool) -> Iterator[str]:
        if isinstance(node, list):
            for one in node:
                yield from walk(one, f"{path}[]", told)
        elif isinstance(node, Mapping):
            said = told or bool(node.get("reason"))
            reasons = node.get("reasons") or {}
            for key, value in node.items():
                excused = key in _MAY_BE_NULL or key.endswith(("reason", "_basis")) or path.endswith(_ROWS)
                if value is None and not (said or reasons.get(key) or excused):
                    yield f"{path}.{key}"
                yield from walk(value, f"{path}.{key}", said or bool(reasons.get(key)))

    return {
        found
        for part, value in document.items()
        if part not in _NOT_RESULTS
        for found in walk(value, part, bool((document.get("reasons") or {}).get(part)))
    } - _OF_A_RANK
