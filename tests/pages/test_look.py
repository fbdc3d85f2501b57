"""The one stylesheet: contrasts in both themes and on paper by the published formula, and one place for colours."""

import re
from pathlib import Path

import pytest

from service.charts import look
from service.pages import rendering

CSS = (Path(rendering.__file__).parent / "static" / "upslope.css").read_text(encoding="utf-8")
THEMES = ("light", "dark", "paper")


def variables(theme):
    """Colours by name; a theme that says nothing of one has that of the light."""
    blocks = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)
    assert len(blocks) == len(THEMES)
    found = [dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block)) for block in blocks]
    return found[0] | found[THEMES.index(theme)]


def luminance(colour):
    # Relative luminance of WCAG 2.2 (value from memory: 0.2126, 0.7152, 0.0722 of linear sRGB).
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in channels]
    return sum(weight * one for weight, one in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one, other):
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_black_on_white_has_the_greatest_contrast():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.2, definition of contrast ratio


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("words", ["ink", "quiet", "link", "warm"])
@pytest.mark.parametrize("ground", ["paper", "raised", "panel", "warm-panel"])
def test_words_are_readable_on_every_ground(words, ground, theme):
    colours = variables(theme)
    assert contrast(colours[words], colours[ground]) >= 4.5  # WCAG 2.2, 1.4.3, AA


@pytest.mark.parametrize("theme", THEMES)
def test_words_of_a_button_are_readable(theme):
    colours = variables(theme)
    assert contrast(colours["paper"], colours["link"]) >= 4.5


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("edge", ["quiet", "link", "warm"])
@pytest.mark.parametrize("ground", ["paper", "raised"])
def test_edges_of_fields_and_what_has_the_focus_are_seen(edge, ground, theme):
    colours = variables(theme)
    assert contrast(colours[edge], colours[ground]) >= 3  # WCAG 2.2, 1.4.11, AA


def test_a_chart_stands_on_the_ground_of_its_sheet():
    assert variables("light")["raised"] == look.PAPER
    assert variables("dark")["raised"] == look.ON_DARK[look.PAPER]


def test_colours_stand_in_the_variables_alone():
    without = re.sub(r":root \{.*?\}", "", CSS, flags=re.DOTALL)
    loose = set(re.findall(r"#[0-9a-fA-F]{3,8}\b(?=[;, )])", without))
    # White behind the light pictures of the guide, and shadows, which only darken.
    assert loose <= {"#fff", "#0003"}
    assert not re.search(r":\s*(?:rgb|hsl|white|black|red|green)\b", without)


def test_nothing_is_loaded_from_elsewhere():
    assert set(re.findall(r"url\(([^)]*)\)", CSS)) == {'"/static/mark.svg"'}
    assert "@import" not in CSS
