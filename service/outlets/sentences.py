"""The latest result of a person in a few true sentences, for somebody who does not read tables."""

import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from service.outlets import phrases
from service.outlets.display import NEUTRAL, Display
from service.outlets.text import CHANGES, ordinal

_WHERE: Mapping[str, str] = {
    "treadmill": "on the treadmill",
    "cycle": "on the cycle",
    "arm": "on the arm ergometer",
    "row": "on the rowing ergometer",
    "ski": "on the ski ergometer",
    "step": "on the step",
    "walk": "walking",
    "run": "running",
}
_BASIS: Mapping[str, str] = {"measured": "", "estimated": "Estimated ", "reported": "Reported "}
_PEOPLE: Mapping[str, str] = {"female": "women", "male": "men"}
_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
#: Of a change of two logarithms, a part smaller than this is not told (project's choice).
_UNTOLD_PART = 0.1
#: Parts of about this size are told as equals (project's choice): neither is "most of it".
_MOST = 2 / 3


def latest_in_words(
    trend: Mapping[str, Any],
    *,
    sex: str | None = None,
    rank: Mapping[str, Any] | None = None,
    display: Display = NEUTRAL,
) -> list[str]:
    """What the latest test says, and what has become of the one before.

    Parameters
    ----------
    trend : mapping
        The trend of peak uptake per body mass, in the form that is served.
    sex : {"female", "male"}, optional
        Of the person, to name whom a table is about.
    rank : mapping, optional
        The standing of the latest test in the table of its point, in the form that is served.
    display : Display
        How its numbers are written.

    Returns
    -------
    list of str
        Sentences in order; one that says so where there is no test.
    """
    latest = _latest(trend)
    if latest is None:
        return ["No test has given a peak oxygen uptake yet."]
    series, place = latest
    point = series["points"][place]
    sentences = [_value(series, point, display)]
    if not point["counted"]:
        why = " ".join(one for one in point["notes"] if "left out" not in one)
        sentences.append(
            f"It is not compared with other tests: {display.said(f'{why[:1].lower()}{why[1:]}')}".strip()
        )
        return sentences
    change = point["change_from_previous"]
    if change is not None:
        sentences[0] = f"{sentences[0][:-1]}, {_moved(change, display)}."
        sentences.append(_meaning(series, change, display))
    standing = _standing(point, sex, rank, display)
    return [*sentences, *([] if standing is None else [standing])]


def _latest(trend: Mapping[str, Any]) -> tuple[Mapping[str, Any], int] | None:
    """The series of the latest test, and the place of that test in it; measured before others of one day."""
    order = {"measured": 2, "reported": 1, "estimated": 0}
    ends = [
        (each["points"][-1]["date"], order.get(each["basis"], 0), -number)
        for number, each in enumerate(trend["series"])
    ]
    if not ends:
        return None
    series = trend["series"][-max(ends)[2]]
    return series, len(series["points"]) - 1


def _value(series: Mapping[str, Any], point: Mapping[str, Any], display: Display) -> str:
    label = "VO2max" if point["effort"] in {"verified", "plateau"} else "VO2peak"
    if point["effort"] == "submaximal":
        label = phrases.SUBMAXIMAL_PEAK
    mass, uptake = point["body_mass_kg"], point["value_absolute"]
    beside = ""
    if uptake is not None and mass is not None:
        weighed = display.significant(display.converted(mass, "body_mass_kg"))
        beside = (
            f" ({display.quantity(uptake, 'vo2_peak_ml_min')} at {weighed} {display.unit('body_mass_kg')})"
        )
    where = _WHERE.get(series["mode"] or "", "")
    peak = display.quantity(point["value"], "vo2_peak_ml_kg_min")
    return f"{_BASIS[series['basis']]}{label} {peak} {where}{beside}".replace("  ", " ").rstrip() + "."


def _moved(change: Mapping[str, Any], display: Display) -> str:
    when = month_and_year(change["from_date"])
    percent = change["percent"]
    if percent is None or round(abs(percent)) == 0:
        return f"the same as in {when}" if percent is not None else f"after a test in {when}"
    return f"{display.figure(abs(percent))} % {'above' if percent > 0 else 'below'} {when}"


def _meaning(series: Mapping[str, Any], change: Mapping[str, Any], display: Display) -> str:
    verdict = change["verdict"]
    if verdict == "within_error":
        return (
            "That is within what two tests of the same person differ by chance "
            f"({by_chance(series['typical_error'], display)})."
        )
    if verdict == "unclear":
        why = change["notes"][0] if change["notes"] else "No typical error is known."
        return (
            f"Whether that is more than chance cannot be told: {display.said(f'{why[:1].lower()}{why[1:]}')}"
        )
    return f"That is more than chance{_from_what(change, display)}."


def by_chance(error: Mapping[str, Any] | None, display: Display) -> str:
    """How far two tests differ by chance in 95 of 100 cases."""
    if error is None:
        return "not known here"
    from service.analysis.change import quantile_95

    quantile = quantile_95(error["df"])
    if error["scale"] == "log":
        percent = 100 * math.expm1(quantile * math.sqrt(2) * math.log1p(error["value"] / 100))
        return f"about {display.figure(percent)} %"
    return f"about {display.significant(quantile * math.sqrt(2) * error['value'], 2)} {error['unit']}"


def _from_what(change: Mapping[str, Any], display: Display) -> str:
    """Which part of a change per body mass came from uptake, which from body mass."""
    parts = change["parts"]
    if parts is None:
        return ""
    uptake = math.log1p(parts["uptake_percent"] / 100)
    mass = -math.log1p(parts["body_mass_percent"] / 100)
    whole = uptake + mass
    kilograms = parts["body_mass_kg"]
    of_uptake = f"a {'higher' if uptake > 0 else 'lower'} uptake"
    mass_moved = display.quantity(abs(kilograms), "body_mass_kg", difference=True)
    of_mass = f"{mass_moved} {'less' if kilograms < 0 else 'more'} body mass"
    if not whole:
        return ""
    share = uptake / whole
    if share > 1 + _UNTOLD_PART:
        return f": from {of_uptake}, against {of_mass}"
    if share > 1 - _UNTOLD_PART:
        return f": from {of_uptake}"
    if share >= _MOST:
        return f": most of it from {of_uptake}, a little from {of_mass}"
    if share > 1 - _MOST:
        return f": from {of_uptake} and from {of_mass}"
    if share > _UNTOLD_PART:
        return f": most of it from {of_mass}, a little from {of_uptake}"
    if share >= -_UNTOLD_PART:
        return f": from {of_mass}; uptake itself hardly moved"
    return f": from {of_mass}, against {of_uptake}"


#: What is told of two tests, the first that both have.
_PEAKS = ("vo2_peak_ml_kg_min", "vo2_peak_ml_min")


def comparison_in_words(comparison: Mapping[str, Any], display: Display = NEUTRAL) -> list[str]:
    """What two tests of a person say beside each other, in a few sentences.

    Parameters
    ----------
    comparison : mapping
        In the form that is served.
    display : Display
        How its numbers are written.

    Returns
    -------
    list of str
        The peak, then heart rate and uptake at the same work rate, or why there is none.
    """
    results = {one["quantity"]: one for one in comparison["results"]}
    sentences = []
    peak = next(
        (results[key] for key in _PEAKS if key in results and results[key]["difference"] is not None), None
    )
    if peak is not None:
        sentences.append(_peaks(comparison, peak, display))
        if peak["parts"] is not None:
            sentences.append(display.said(peak["parts"]["sentence"]))
    curves = comparison["work_rate"]
    if curves["reason"] is not None:
        return [*sentences, display.said(curves["reason"])]
    channels = {one["channel"]: one for one in curves["channels"]}
    heart = channels["heart_rate_bpm"]
    if heart["points"]:
        sentences.append(_at_one_work_rate(curves, heart, display))
    uptake = channels["vo2_ml_min"]
    point = middle_of(uptake["points"])
    if point is not None and point["beyond_error"] and curves["along"] == "work_rate_w":
        sentences.append(
            f"{_at_one_work_rate(curves, uptake, display)} Uptake at one work rate hardly moves with training: look at the "
            "equipment and its calibration first."
        )
    return sentences


def _lowered(sentence: str) -> str:
    return f"{sentence[:1].lower()}{sentence[1:]}"


def middle_of(points: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """The place nearest the middle of what both tests have; None where they have nothing in common."""
    if not points:
        return None
    middle = 0.5 * (points[0]["along"] + points[-1]["along"])
    return min(points, key=lambda one: (abs(one["along"] - middle), one["along"]))


def place_in_words(along: str, point: Mapping[str, Any], display: Display = NEUTRAL) -> str:
    """Where two tests are set beside each other."""
    if along == "stage":
        return ", ".join(display.quantity(point[key], key) for key in ("speed_km_h", "grade_percent"))
    if along == "percent_of_peak":
        return f"{display.significant(point['along'])} % of peak"
    return display.quantity(point["along"], along)


def _peaks(comparison: Mapping[str, Any], result: Mapping[str, Any], display: Display) -> str:
    key = result["quantity"]
    first, second = (
        f"{display.quantity(result[side], key)} on {display.day(comparison[side]['date'])}"
        for side in ("first", "second")
    )
    moved = "" if result["percent"] is None else f" ({display.figure(result['percent'], sign=True)} %)"
    words = f"{result['label']} {first}, {second}{moved}: {CHANGES[result['verdict']]}"
    if result["verdict"] != "unclear" or result["reason"] is None:
        return f"{words}."
    return f"{words}, because {display.said(_lowered(result['reason']))}"


def _at_one_work_rate(curves: Mapping[str, Any], channel: Mapping[str, Any], display: Display) -> str:
    """One channel at the middle of what both tests have, with what its difference may mean."""
    point = middle_of(channel["points"])
    assert point is not None  # noqa: S101 asked for where there are points
    key = channel["channel"]
    words = (
        f"At {place_in_words(curves['along'], point, display)} {channel['label'].lower()} was "
        f"{display.quantity(point['second'], key)} after {display.quantity(point['first'], key)}"
    )
    if point["beyond_error"] is None:
        why = [*curves["notes"], *channel["notes"], channel["error_reason"] or "its error is not known."][0]
        first = _lowered(why).partition(". ")[0].removesuffix(".")
        return f"{words}; whether that is more than chance cannot be told: {display.said(first)}."
    if not point["beyond_error"]:
        return f"{words}: {CHANGES['within_error']}."
    told = f"{words}: more than two tests of one person differ by chance."
    if key != "heart_rate_bpm":
        return told
    if point["difference"] < 0:
        return f"{told} That is what endurance training does; a medication can do it too."
    return f"{told} Heat, little sleep, an illness or less training can do that."


def _standing(
    point: Mapping[str, Any], sex: str | None, rank: Mapping[str, Any] | None, display: Display
) -> str | None:
    people = _PEOPLE.get(sex or "", "people")
    band = "" if rank is None or not rank.get("age_band") else f" {rank['age_band']}"
    if point["percentile"] is not None:
        bound = None if rank is None else rank.get("bound")
        if bound is not None:
            side = "Below the lowest" if bound == "below" else "Above the highest"
            return f"{side} percentile that is printed for {people}{band} ({display.figure(point['percentile'])})."
        nearest = 5 * round(point["percentile"] / 5)
        if not 0 < nearest < 100:
            return f"{'Below the 5th' if nearest == 0 else 'Above the 95th'} percentile for {people}{band}."
        return f"About the {ordinal(nearest)} percentile for {people}{band}."
    if point["percent_of_median"] is not None:
        percent = display.figure(point["percent_of_median"])
        return f"{percent} % of the median for {people}{band}; no percentiles are published."
    return None


def month_and_year(text: str) -> str:
    """An ISO date as a month that a reader says."""
    day = date.fromisoformat(text)
    return f"{_MONTHS[day.month - 1]} {day.year}"
