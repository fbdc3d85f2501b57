import pytest

from service.charts.cohort import MOST_LINES, cohort_spec
from service.charts.render import render_png, render_svg


def mean(name, n, value, half=None):
    low, high = (None, None) if half is None else (value - half, value + half)
    return {"round": name, "n": n, "mean": value, "ci_low": low, "ci_high": high}


def arm(name, lines, means=()):
    return {
        "arm": name,
        "lines": [{"code": f"{name}-{number}", "values": values} for number, values in enumerate(lines)],
        "means": list(means),
    }


def document(arms, rounds=("1", "2", "3"), changes=(), **more):
    return {
        "name": "Study", "quantity": "vo2_peak_ml_kg_min", "mode": "cycle", "basis": "measured", "rounds": list(rounds),
        "arms": arms, "changes": list(changes), "left_out": 0, "notes": [], **more,
    }  # fmt: skip


TRAINING = arm(
    "training",
    [{"1": 40.0, "2": 43.0, "3": 45.0}, {"1": 38.0, "3": 42.0}, {"1": 44.0, "2": 46.0, "3": 49.0}],
    [mean("1", 2, 42.0, 5.0), mean("2", 2, 44.5, 5.0), mean("3", 2, 47.0, 6.0)],
)
CONTROL = arm("control", [{"1": 41.0, "2": 41.5, "3": 40.0}], [mean(name, 1, 41.0) for name in "123"])
CHANGES = [
    {"arm": "training"} | mean("2", 2, 2.5, 1.0),
    {"arm": "control"} | mean("2", 1, 0.5),
    {"arm": "training"} | mean("3", 3, 4.7, 1.2),
    {"arm": "control"} | mean("3", 1, -1.0),
]

CASES = {
    "two arms": document([CONTROL, TRAINING], changes=CHANGES),
    "one arm": document([arm(None, [{"1": 40.0, "2": 42.0}], [mean("1", 1, 40.0)])], ("1", "2")),
    "one round": document([arm("a", [{"1": 40.0}, {"1": 44.0}], [mean("1", 2, 42.0, 9.0)])], ("1",)),
    "nobody complete": document([arm("a", [{"1": 40.0}, {"2": 44.0}], [mean("1", 0, None), mean("2", 0, None)])], ("1", "2")),
    "seven arms": document(
        [arm(f"arm {n}", [{"1": 40.0 + n, "2": 41.0}]) for n in range(7)], ("1", "2"),
        [{"arm": f"arm {n}"} | mean("2", 1, 1.0 - n) for n in range(7)],
    ),
    "below zero": document([arm("a", [{"1": -4.0, "2": 3.0}])], ("1", "2"), quantity="sit_and_reach_cm", mode=None),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_the_specification_is_valid_and_draws_without_network(case, valid_vega_lite, no_network):
    spec = cohort_spec(CASES[case])
    valid_vega_lite(spec)
    svg = render_svg(spec)
    assert "NaN" not in svg
    assert "undefined" not in svg
    assert "Round" in svg


def test_a_picture_is_drawn(no_network):
    assert render_png(cohort_spec(CASES["two arms"]), scale=1).startswith(b"\x89PNG")


def panels(spec):
    return [panel for row in spec["vconcat"] for panel in row.get("hconcat", ())]


def test_every_member_has_a_line_and_none_over_a_missing_round():
    _, training = panels(cohort_spec(CASES["two arms"]))
    segments = training["layer"][0]["data"]["values"]
    by_code = {}
    for one in segments:
        by_code.setdefault(one["code"], []).append((one["round"], one["segment"]))
    assert set(by_code) == {"training-0", "training-1", "training-2"}
    assert len({segment for _, segment in by_code["training-0"]}) == 1
    # Rounds 1 and 3 without 2 are not joined.
    assert len({segment for _, segment in by_code["training-1"]}) == 2


def test_arms_share_their_axis_and_differ_in_colour_and_shape():
    spec = cohort_spec(CASES["two arms"])
    control, training = panels(spec)
    assert (
        control["layer"][0]["encoding"]["y"]["scale"]["domain"]
        == training["layer"][0]["encoding"]["y"]["scale"]["domain"]
    )
    marks = [panel["layer"][-1]["mark"] for panel in (control, training)]
    assert marks[0]["shape"] != marks[1]["shape"]
    assert marks[0]["fill"] != marks[1]["fill"]
    points = spec["vconcat"][-1]["layer"][2]
    assert points["encoding"]["shape"]["scale"]["domain"] == ["control", "training"]
    assert points["encoding"]["shape"]["scale"]["range"] == [mark["shape"] for mark in marks]


def test_paired_change_is_drawn_with_its_interval_and_number():
    below = cohort_spec(CASES["two arms"])["vconcat"][-1]
    assert [one["words"] for one in below["layer"][3]["data"]["values"]] == ["n 2", "n 1", "n 3", "n 1"]
    assert [(one["low"], one["high"]) for one in below["layer"][1]["data"]["values"]] == [
        (1.5, 3.5),
        (pytest.approx(3.5), pytest.approx(5.9)),
    ]


def test_the_words_say_of_whom_the_means_are():
    words = cohort_spec(CASES["two arms"] | {"left_out": 2})["description"]
    assert "those who have every round drawn (control: 1 of 1; training: 2 of 3)" in words
    assert "training, round 3: +4.7 mL/kg/min (95 % interval +3.5 to +5.9), 3 members." in words
    assert "2 results are not counted." in words


def test_of_very_many_members_lines_are_drawn_evenly_and_it_is_said():
    many = arm("a", [{"1": 40.0 + 0.001 * n, "2": 41.0} for n in range(1000)])
    spec = cohort_spec(document([many], ("1", "2")))
    codes = list(dict.fromkeys(one["code"] for one in panels(spec)[0]["layer"][0]["data"]["values"]))
    assert len(codes) == MOST_LINES
    assert (codes[0], codes[-1]) == ("a-0", "a-999")
    assert f"a: {MOST_LINES} of 1,000 lines are drawn" in spec["description"]


def test_without_a_value_the_chart_says_so(valid_vega_lite):
    for spec in (cohort_spec(document([])), cohort_spec(document([arm("a", [{}])]))):
        valid_vega_lite(spec)
        assert "No member has a counted value" in spec["description"]
