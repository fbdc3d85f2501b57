import re
import struct

import pytest

from service.charts.look import empty_chart
from service.charts.render import render_png, render_svg, warm_up

CHART = empty_chart(title="A title", sentence="Nothing to draw.", width=300, height=120)


def test_a_picture_needs_no_network(no_network):
    warm_up()
    assert render_svg(CHART).startswith("<svg")


def test_a_png_is_as_large_as_its_scale_says():
    sizes = []
    for scale in (1, 2):
        png = render_png(CHART, scale=scale)
        assert png.startswith(b"\x89PNG\r\n\x1a\n")
        sizes.append(struct.unpack(">II", png[16:24]))
    (width, height), twice = sizes
    assert 300 < width < 360
    assert twice == pytest.approx((2 * width, 2 * height), abs=2)


@pytest.mark.parametrize("scale", [0, -1])
def test_a_scale_that_cannot_be_is_refused(scale):
    with pytest.raises(ValueError, match="above 0"):
        render_png(CHART, scale=scale)


def test_data_from_elsewhere_are_never_loaded():
    elsewhere = {
        "$schema": CHART["$schema"],
        "data": {"url": "https://example.org/data.csv"},
        "mark": "point",
        "encoding": {"x": {"field": "a", "type": "quantitative"}},
    }
    with pytest.raises(ValueError, match="data url not allowed"):
        render_svg(elsewhere)


def clipped(values: list[float]) -> dict:
    """A chart whose line is cut at the edge of its panel."""
    rows = [{"t": place, "value": value} for place, value in enumerate(values)]
    field = {"type": "quantitative", "scale": {"domain": [0, 2]}}
    return {
        "$schema": CHART["$schema"],
        "data": {"values": rows},
        "mark": {"type": "line", "clip": True},
        "encoding": {"x": {"field": "t", **field}, "y": {"field": "value", **field}},
    }


def names_of_clips(svg: str) -> set[str]:
    return set(re.findall(r'<clipPath id="([^"]+)"', svg))


def test_the_same_drawing_is_the_same_text_and_another_has_other_names():
    first = render_svg(clipped([0, 1, 2]))
    other = render_svg(clipped([2, 1, 0]))
    assert render_svg(clipped([0, 1, 2])) == first
    for svg in (first, other):
        assert names_of_clips(svg)
        assert set(re.findall(r"url\(#([^)]+)\)", svg)) == names_of_clips(svg)
    assert names_of_clips(first).isdisjoint(names_of_clips(other))


def test_a_drawing_has_no_labels_on_its_marks():
    assert "aria-label" not in render_svg(clipped([0, 1, 2]))
