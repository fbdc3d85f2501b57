"""Two tests of a person: their series as their analyses took them, their results as the trend judges them."""

from collections.abc import Mapping, Sequence
from typing import Any

from service.analyses.queries import TestRows, load_tests
from service.analyses.workflow import analysis_of, to_input
from service.analysis.breath_care import with_breaths_left_out
from service.analysis.change import differences_between
from service.analysis.comparison import (
    CHANNELS,
    COMPARISON_VERSION,
    SOURCES,
    Against,
    ComparedTest,
    compare,
    errors_at_one_work_rate,
    method_in_words,
)
from service.analysis.gas import with_computed_uptake
from service.analysis.loads import ERGOMETERS, find_loads
from service.analysis.marks import find_marks
from service.comparisons.queries import ComparableTest, tests_of
from service.comparisons.schemas import ComparisonRow
from service.db.transactions import Store
from service.errors import InvalidContent, Place
from service.outlets.cells import csv_text
from service.reliability.queries import own_typical_errors
from service.trends.workflow import ResultOfTwo, results_of_two

#: What a chart can be asked for: the channels, and the load at the same percent of the peak.
CHARTED: tuple[str, ...] = (*CHANNELS, "work_rate_w", "speed_km_h", "grade_percent")


def default_pair(
    tests: Sequence[ComparableTest], *, first: str = "", second: str = ""
) -> tuple[str, str] | None:
    """Which two tests to begin with: what was asked for, and in place of what was not, what is most like it.

    Parameters
    ----------
    tests : sequence of ComparableTest
        In order of time.
    first, second : str
        Ids; empty where it was not asked for. Without either the latest complete test is the second.

    Returns
    -------
    tuple of str or None
        Ids; None where nothing was asked for and there are no two complete tests.
    """
    complete = [one.test_id for one in tests if one.status == "complete" and not one.verifies]
    if first and second:
        return first, second
    known = {one.test_id: place for place, one in enumerate(tests)}
    asked = first or second or (complete[-1] if complete else "")
    others = [tests[known[one]] for one in complete if one != asked]
    if asked not in known or not others:
        # What was asked for is refused with its reason where it is compared.
        return (first, second) if first or second else None
    place = known[asked]
    # Of tests that are equally like it the one before, else the one nearest in order of time.
    other = max(
        others,
        key=lambda one: (
            one.mode == tests[place].mode,
            one.protocol_id == tests[place].protocol_id,
            one.shape == tests[place].shape,
            one.purpose == tests[place].purpose,
            known[one.test_id] < place,
            -abs(known[one.test_id] - place),
        ),
    ).test_id
    return (asked, other) if asked == first else (other, asked)


def chosen_pair(
    tests: Sequence[ComparableTest], first: str, second: str
) -> tuple[ComparableTest, ComparableTest]:
    """The two tests that were asked for, the earlier first.

    Raises
    ------
    InvalidContent
        One is no test of this person, is void, or both are the same.
    """
    known = {one.test_id: place for place, one in enumerate(tests)}
    faults = [
        Place(
            f"query.{name}",
            "names no test of this person that could be compared; a void one cannot",
            value=given,
        )
        for name, given in (("first", first), ("second", second))
        if given not in known
    ]
    if not faults and first == second:
        faults = [Place("query.second", "must be another test than the first", value=second)]
    if faults:
        told = "; ".join(f"{one.location.removeprefix('query.')} {one.message}" for one in faults)
        raise InvalidContent(f"{told}.", tuple(faults))
    earlier, later = sorted((known[first], known[second]))
    return tests[earlier], tests[later]


def check_channel(channel: str) -> None:
    """Refuse what no chart of a comparison shows.

    Raises
    ------
    InvalidContent
    """
    if channel not in CHARTED:
        message = f"is nothing that is compared; there is {', '.join(CHARTED)}"
        raise InvalidContent(f"channel {message}.", (Place("query.channel", message, value=channel),))


def comparison_of(store: Store, subject_pk: int, subject_id: str, first: str, second: str) -> dict[str, Any]:
    """Two tests of a subject beside each other: `ComparisonOut`.

    Parameters
    ----------
    first, second : str
        Ids of the tests; they are put in the order of time.

    Raises
    ------
    InvalidContent
        As of `chosen_pair`.
    """
    with store.read() as session:
        pair = chosen_pair(tests_of(session, subject_pk), first, second)
        own = own_typical_errors(session)
        rows = load_tests(session, [one.test_pk for one in pair])
    documents = [analysis_of(store, one.test_pk, {}, where="query") for one in pair]
    compared = [_prepared(rows[one.test_pk], document) for one, document in zip(pair, documents, strict=True)]
    watts = all(one.test.mode in ERGOMETERS for one in compared)
    curves = compare(compared[0], compared[1], errors_at_one_work_rate(own, watts=watts))
    results = results_of_two(store, subject_pk, pair[0].test_pk, pair[1].test_pk)
    differences = _differences(results)
    notes = []
    if pair[0].test_id != first:
        notes.append("The tests were put in the order of time: the first is the earlier one.")
    notes += [
        f"The test of {one.day.isoformat()} is not complete: its numbers may still change."
        for one, document in zip(pair, documents, strict=True)
        if document["provisional"]
    ]
    if curves.work_rate.channels:
        notes.append(
            "Each place of a curve has its own interval: among many places one in twenty lies beyond error by chance alone."
        )
    return {
        "subject_id": subject_id,
        "first": _told(pair[0], rows[pair[0].test_pk], documents[0]),
        "second": _told(pair[1], rows[pair[1].test_pk], documents[1]),
        "differences": differences,
        "results": [_result(one, differences) for one in results],
        **curves.as_dict(),
        "method": {"version": COMPARISON_VERSION, "text": method_in_words(), "sources": list(SOURCES)},
        "notes": notes,
    }


def _prepared(rows: TestRows, document: Mapping[str, Any]) -> ComparedTest:
    """The series as the analysis took it: with computed uptake, without the breaths that its rule leaves out."""
    test, _ = with_computed_uptake(to_input(rows))
    peak, effort = document["peak"]["vo2_ml_min"], document["effort"]["verdict"]
    if not len(test.series):
        return ComparedTest(test, None, None, peak, effort)
    marks = find_marks(test)
    test, _ = with_breaths_left_out(test, marks, document["settings"]["aberrant_breaths"])
    return ComparedTest(test, marks, find_loads(test, marks), peak, effort)


def _told(one: ComparableTest, rows: TestRows, document: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "test_id": one.test_id,
        "date": one.day.isoformat(),
        "mode": one.mode,
        "shape": document["shape"] or one.shape,
        "protocol_id": one.protocol_id,
        "effort": document["effort"]["verdict"],
        "body_mass_kg": rows.visit["body_mass_kg"],
        "vo2_peak_ml_min": document["peak"]["vo2_ml_min"],
        "analysis_version": document["analysis_version"],
        "provisional": document["provisional"],
        "n_warnings": sum(finding["severity"] in {"error", "warning"} for finding in document["findings"]),
        "settings": document["settings"],
    }


def _differences(results: Sequence[ResultOfTwo]) -> list[str]:
    """What was not the same at the two tests, by the first result that both have."""
    for one in results:
        if one.first is not None and one.second is not None:
            return list(differences_between(one.first, one.second))
    return []


def _result(one: ResultOfTwo, of_tests: Sequence[str]) -> dict[str, Any]:
    """One line of the table; what was not the same at the two tests is not told again for each result."""
    change = one.change
    parts = None if change is None else change.parts
    told = {*of_tests, *([] if parts is None else [parts.sentence])}
    reason = None
    if change is None:
        reason = f"The {'first' if one.first is None else 'second'} test does not have it."
    elif change.verdict == "unclear":
        reason = next(iter(change.notes), None)
    return {
        "quantity": one.quantity.key,
        "label": one.quantity.label,
        "unit": one.quantity.unit,
        "first": None if one.first is None else one.first.value,
        "second": None if one.second is None else one.second.value,
        "difference": None if change is None else change.absolute,
        "percent": None if change is None else change.percent,
        "ci_low": None if change is None else change.ci_low,
        "ci_high": None if change is None else change.ci_high,
        "verdict": None if change is None else change.verdict,
        "first_method": None if one.first is None else one.first.method,
        "second_method": None if one.second is None else one.second.method,
        "typical_error": None if one.typical_error is None else one.typical_error.as_dict(),
        "reason": reason,
        "parts": None if parts is None else parts.as_dict(),
        "notes": [] if change is None else [note for note in change.notes if note not in told],
    }


#: Columns of the flat rows, in their order.
FLAT_COLUMNS = tuple(ComparisonRow.model_fields)


def flat_rows(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """One row a number of both tests: the fields of `ComparisonRow`."""
    both = {
        "subject_id": document["subject_id"],
        "first_test_id": document["first"]["test_id"],
        "second_test_id": document["second"]["test_id"],
        "first_date": document["first"]["date"],
        "second_date": document["second"]["date"],
    }
    rows = [
        {**both, "against": "result", **one, "notes": " ".join(one["notes"])} for one in document["results"]
    ]
    for axis in (document["work_rate"], document["percent_of_peak"]):
        for channel in axis["channels"]:
            told = {
                "against": axis["against"],
                "along_quantity": axis["along"],
                "along_unit": axis["unit"],
                "quantity": channel["channel"],
                "unit": channel["unit"],
                "notes": " ".join(
                    [*channel["notes"], *([channel["error_reason"]] if channel["error_reason"] else [])]
                ),
            }
            rows += [{**both, **told, **point} for point in channel["points"]]
    return [{name: row.get(name) for name in FLAT_COLUMNS} for row in rows]


def flat_csv(document: Mapping[str, Any]) -> str:
    """The flat rows as CSV (RFC 4180)."""
    return csv_text(FLAT_COLUMNS, flat_rows(document))


def comparison_chart(document: Mapping[str, Any], *, channel: str, against: Against) -> dict[str, Any]:
    """The specification of the chart of one channel of a comparison."""
    from service.charts.comparison import comparison_spec

    return comparison_spec(document, channel=channel, against=against)
