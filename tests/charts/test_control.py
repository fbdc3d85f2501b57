"""Control charts: what is drawn, what is told, and that it can be drawn."""

from datetime import date, timedelta

import pytest

from service.analysis.control import ControlPoint, control_chart
from service.charts.control import control_spec
from service.charts.render import render_png, render_svg

START = date(2026, 1, 5)
STEADY = [2014.1, 1985.9] * 5


def document(*later, biological=True, values=STEADY, events=()):
    chart = control_chart(
        [
            ControlPoint(f"c{i}", START + timedelta(days=7 * i), value)
            for i, value in enumerate([*values, *later])
        ],
        biological=biological,
        events=events,
    )
    return chart.as_dict() | {
        "title": "Oxygen uptake of a known person: analyser A",
        "label": "Oxygen uptake",
        "unit": "mL/min",
        "decimals": 0,
        "events": [one.isoformat() for one in events],
    }


def values_of(spec, name):
    return [
        row[name] for layer in spec["layer"] for row in layer.get("data", {}).get("values", ()) if name in row
    ]


def test_points_are_told_apart_by_shape_and_fill():
    spec = control_spec(document(2010.0, 2120.0))
    kinds = values_of(spec, "kind")
    assert kinds == ["in the baseline"] * 10 + ["no rule met", "a rule met"]
    (layer,) = [one for one in spec["layer"] if "shape" in one["encoding"]]
    domain, shapes, fills = (
        layer["encoding"]["shape"]["scale"]["domain"],
        layer["encoding"]["shape"]["scale"]["range"],
        layer["encoding"]["fill"]["scale"]["range"],
    )
    assert domain == ["in the baseline", "no rule met", "a rule met"]
    assert shapes == ["circle", "circle", "diamond"]
    assert fills[0] == "#ffffff"
    assert fills[1] != "#ffffff"


def test_the_lines_are_those_of_the_chart():
    words = values_of(control_spec(document()), "words")
    assert words == [
        "5 % below 1,900",
        "lower limit 1,925",
        "mean 2,000",
        "upper limit 2,075",
        "5 % above 2,100",
    ]
    assert values_of(control_spec(document(biological=False)), "words") == [
        "lower limit 1,925",
        "mean 2,000",
        "upper limit 2,075",
    ]


@pytest.mark.parametrize(
    ("later", "events", "words"),
    [
        ((), (), "In control: no rule is met after the baseline."),
        ((2120.0,), (), "Out of control: a shift above the mean was signalled on 2026-03-16."),
        (
            (1880.0, 2000.0, 2010.0, 1990.0),
            (),
            (
                "In control again: a shift below the mean was signalled on 2026-03-16 and ended on 2026-04-06 with three "
                "measurements without a signal."
            ),
        ),
        (
            (2120.0, 2000.0),
            (date(2026, 3, 20),),
            (
                "In control again: a shift above the mean was signalled on 2026-03-16 and ended on 2026-03-20 with an event of "
                "the device."
            ),
        ),
    ],
)
def test_the_state_is_told_in_words(later, events, words):
    spec = control_spec(document(*later, events=events))
    assert words in spec["description"]
    assert words in " ".join(spec["title"]["subtitle"])


@pytest.mark.parametrize("n", [0, 1, 3])
def test_a_chart_without_limits_says_why(n):
    spec = control_spec(document(values=STEADY[:n]))
    assert ("There is no measurement yet" if n == 0 else "Limits need at least 5") in spec["description"]
    assert render_svg(spec).startswith("<svg")


@pytest.mark.parametrize("biological", [True, False])
def test_the_specification_is_valid_and_draws_without_network(biological, valid_vega_lite, no_network):
    event = START + timedelta(days=80)
    spec = control_spec(document(2010.0, 2120.0, 2130.0, biological=biological, events=(event,)))
    valid_vega_lite(spec)
    svg = render_svg(spec)
    assert "Oxygen uptake (mL/min)" in svg
    assert "2,120, 2026-03-23" in svg
    assert "NaN" not in svg
    assert "undefined" not in svg
    assert render_png(spec, scale=1).startswith(b"\x89PNG")
