"""Colours against published models of colour vision and published limits of contrast."""

import itertools

import numpy as np
import pytest

from service.charts import look
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


@pytest.mark.parametrize("vision", VISION)
def test_series_are_told_apart_by_colour_with_any_red_green_vision(vision):
    # No published limit for marks: a CIE76 distance of 20 is about nine just noticeable differences (2.3).
    seen = [lab(VISION[vision] @ linear(colour)) for colour in look.SERIES_COLOURS]
    assert min(np.linalg.norm(one - other) for one, other in itertools.combinations(seen, 2)) > 20


@pytest.mark.parametrize("vision", VISION)
def test_the_models_of_vision_keep_grey_grey(vision):
    assert VISION[vision] @ np.ones(3) == pytest.approx(np.ones(3), abs=1e-5)


@pytest.mark.parametrize("colour", [*look.SERIES_COLOURS, look.LOAD, look.BAND])
def test_marks_stand_out_from_the_paper(colour):
    assert contrast(colour, look.PAPER) >= 3  # WCAG 2.2, 1.4.11


@pytest.mark.parametrize("colour", [*look.SERIES_TEXT_COLOURS, look.INK, look.QUIET, look.PEAK])
def test_words_are_readable_on_the_paper(colour):
    assert contrast(colour, look.PAPER) >= 4.5  # WCAG 2.2, 1.4.3


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
