"""Colours against published models of colour vision and published limits of contrast."""

import itertools
import re
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from service.charts import look
from service.charts.render import render_svg
from service.quantities import QUANTITIES

# Machado, Oliveira, Fernandes 2009, severity 1.0, on linear RGB (values from memory; each row sums to 1, so that grey
# stays grey, which the test below checks).
VISION = {
    "normal": np.eye(3),
    "deuteranope": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "protanope": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
}
# IEC 61966-2-1 (sRGB), D65.
TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
WHITE = np.array([0.95047, 1.0, 1.08883])


def linear(colour):
    channel = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(channel <= 0.04045, channel / 12.92, ((channel + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    """CIE 1976 L*a*b*."""
    ratio = TO_XYZ @ np.clip(rgb, 0, 1) / WHITE
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one, other):
    """Contrast ratio of WCAG 2.2."""
    dark, light = sorted(float(TO_XYZ[1] @ linear(colour)) for colour in (one, other))
    return (light + 0.05) / (dark + 0.05)


def shade(colour, theme):
    return look.ON_DARK[colour] if theme == "dark" else colour


THEMES = ("light", "dark")


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("vision", VISION)
def test_series_are_told_apart_by_colour_with_any_red_green_vision(vision, theme):
    # No published limit for marks: a CIE76 distance of 20 is about nine just noticeable differences (2.3).
    seen = [lab(VISION[vision] @ linear(shade(colour, theme))) for colour in look.SERIES_COLOURS]
    assert min(np.linalg.norm(one - other) for one, other in itertools.combinations(seen, 2)) > 20


@pytest.mark.parametrize("vision", VISION)
def test_the_models_of_vision_keep_grey_grey(vision):
    assert VISION[vision] @ np.ones(3) == pytest.approx(np.ones(3), abs=1e-5)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("colour", [*look.SERIES_COLOURS, look.LOAD, look.BAND])
def test_marks_stand_out_from_the_paper(colour, theme):
    assert contrast(shade(colour, theme), shade(look.PAPER, theme)) >= 3  # WCAG 2.2, 1.4.11


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("colour", [*look.SERIES_TEXT_COLOURS, look.INK, look.QUIET, look.PEAK])
def test_words_are_readable_on_the_paper(colour, theme):
    assert contrast(shade(colour, theme), shade(look.PAPER, theme)) >= 4.5  # WCAG 2.2, 1.4.3


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("fill", [look.LOAD_FILL, "#c9d6de", "#edf0f2"])
def test_words_are_readable_on_the_phases(fill, theme):
    assert contrast(shade(look.INK, theme), shade(fill, theme)) >= 4.5


def test_every_colour_of_a_chart_is_known_on_dark():
    drawn = {
        colour
        for module in Path(look.__file__).parent.glob("*.py")
        for colour in re.findall(r"#[0-9a-fA-F]{3,8}\b", module.read_text(encoding="utf-8"))
    }
    assert drawn == set(look.ON_DARK) | set(look.ON_DARK.values())


def test_a_picture_is_dark_where_the_screen_is_and_only_where_that_is_asked_for():
    spec = look.empty_chart(title="Nothing", sentence="1,234.5 to see on 2026-03-14", width=200, height=80)
    plain, following = render_svg(spec), render_svg(spec, follows_theme=True)
    assert "<style>" not in plain
    assert f'[fill="{look.INK}"]{{fill:{look.ON_DARK[look.INK]}}}' in following
    assert re.sub("<style>.*</style>", "", following) == plain
    ET.fromstring(following)  # noqa: S314 drawn here


def test_words_of_a_chart_are_said_anew_and_its_data_are_not():
    spec = {
        "title": {"text": "1.5", "subtitle": ["2.5", "3.5"], "color": "4.5"},
        "data": {"values": [{"value": "5.5", "words": "6.5"}]},
        "mark": {"type": "text", "text": "7.5"},
        "encoding": {"text": {"field": "words"}, "x": {"axis": {"title": "8.5", "labelExpr": "9.5"}}},
    }
    said = look.reworded(spec, lambda words: words.replace(".", ","))
    assert re.findall(r"\d,\d", str(said)) == ["1,5", "2,5", "3,5", "6,5", "7,5", "8,5"]
    assert re.findall(r"\d\.\d", str(said)) == ["4.5", "5.5", "9.5"]


def test_numbers_on_axes_take_the_marks_that_are_given():
    spec = look.chart(
        title="",
        subtitle=(),
        description="",
        body={
            "data": {"values": [{"v": 0}, {"v": 2000.5}]},
            "mark": "point",
            "encoding": {"y": {"field": "v", "type": "quantitative", "axis": {"format": ",.1f"}}},
        },
    )
    german = {"decimal": ",", "thousands": ".", "grouping": [3], "currency": ["", ""]}
    assert ">2,000.0<" in render_svg(spec)
    assert ">2.000,0<" in render_svg(spec, marks=german)


def test_series_differ_in_shape_too():
    assert len(set(look.SERIES_SHAPES)) == len(look.SERIES_COLOURS) == len(look.SERIES_TEXT_COLOURS)


@pytest.mark.parametrize(
    ("key", "title"),
    [
        ("vo2_ml_min", "Oxygen uptake, VO2 (mL/min)"),
        ("waist_cm", "Waist circumference (cm)"),
        ("rer_max", "Maximal respiratory exchange ratio, RERmax"),
    ],
)
def test_an_axis_is_headed_by_words_symbol_and_unit(key, title):
    assert look.axis_title(QUANTITIES[key]) == title
