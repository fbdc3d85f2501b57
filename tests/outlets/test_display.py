"""Numbers, units and dates as people read them, against published definitions and the Unicode locale data."""

import math
from datetime import date, datetime

import pytest

from service.outlets.display import NEUTRAL, Display
from service.quantities import QUANTITIES
from service.settings import Settings

US = Display(units="us")
GERMAN = Display("de-DE")


# NIST SP 811 (2008), appendix B.8, factors printed in bold as exact: pound (avoirdupois) 4.535 924 E-01 kg (the pound of
# 1959 is 0.453 592 37 kg), inch 2.54 cm, foot 3.048 E-01 m, mile per hour 1.609 344 km/h, degree Fahrenheit
# t/°C = (t/°F - 32)/1.8 (values from memory).
@pytest.mark.parametrize(
    ("key", "shown", "stored"),
    [
        ("body_mass_kg", "1", 0.45359237),
        ("body_mass_kg", "100", 45.359237),
        ("height_cm", "1", 2.54),
        ("waist_cm", "34.5", 87.63),
        ("altitude_m", "1", 0.3048),
        ("altitude_m", "5280", 1609.344),
        ("speed_km_h", "1", 1.609344),
        ("speed_peak_km_h", "2.5", 4.02336),
        ("temperature_c", "32", 0.0),
        ("temperature_c", "212", 100.0),
        ("temperature_c", "-40", -40.0),
        ("temperature_c", "68", 20.0),
    ],
)
def test_us_units_are_exact_by_definition(key, shown, stored):
    assert US.read(shown, key) == stored
    assert US.converted(stored, key) == pytest.approx(float(shown), abs=1e-12)


# Common practice in US exercise testing, no source: uptake, power, pressures, flows, lactate and grip stay metric.
@pytest.mark.parametrize(
    "key",
    [
        "vo2_peak_ml_kg_min",
        "vo2_peak_ml_min",
        "work_rate_peak_w",
        "systolic_mmhg",
        "barometric_pressure_mmhg",
        "ve_l_min",
        "lactate_mmol_l",
        "grip_strength_kg",
        "haemoglobin_g_dl",
    ],
)
def test_what_us_laboratories_state_in_metric_units_stays(key):
    assert US.of(key) is QUANTITIES[key]
    assert US.quantity(31.4, key) == NEUTRAL.quantity(31.4, key)


def test_every_unit_that_is_converted_is_one_that_people_know():
    changed = {
        (QUANTITIES[key].unit, US.unit(key)) for key in QUANTITIES if US.unit(key) != QUANTITIES[key].unit
    }
    assert changed == {("kg", "lb"), ("cm", "in"), ("m", "ft"), ("km/h", "mph"), ("°C", "°F")}


@pytest.mark.parametrize(
    ("display", "value", "key", "text"),
    [
        (NEUTRAL, 2060.4, "vo2_peak_ml_min", "2,060 mL/min"),
        (NEUTRAL, 1.054, "rer_max", "1.05"),
        (NEUTRAL, None, "rer_max", "–"),
        (NEUTRAL, -0.04, "grade_percent", "0.0 %"),
        (NEUTRAL, -1.25, "grade_percent", "-1.2 %"),
        (GERMAN, 2060.4, "vo2_peak_ml_min", "2.060 mL/min"),
        (GERMAN, 29.44, "vo2_peak_ml_kg_min", "29,4 mL/kg/min"),
        (Display("fr"), 12060.4, "vo2_peak_ml_min", "12\u202f060 mL/min"),
        (Display("sv"), 12060.4, "vo2_peak_ml_min", "12\u00a0060 mL/min"),
        (Display("en-US", "us"), 70.0, "body_mass_kg", "154.3 lb"),
        (Display("de-DE", "us"), 70.0, "body_mass_kg", "154,3 lb"),
        (US, 178.0, "height_cm", "70.1 in"),
        (US, 21.5, "temperature_c", "70.7 °F"),
        (US, 10.0, "speed_km_h", "6.2 mph"),
    ],
)
def test_a_value_is_shown_with_its_unit(display, value, key, text):
    # Marks: Unicode CLDR, by way of the library.
    assert display.quantity(value, key) == text


def test_in_the_neutral_way_a_value_is_what_the_command_prints():
    for key, quantity in QUANTITIES.items():
        for value in (0.5, 12.345, 2060.5, 100000.0):
            assert NEUTRAL.quantity(value, key) == quantity.show(value)


def test_a_locale_rounds_no_other_way_than_the_command():
    for number in range(2000):
        value = number / 1000  # many halves that binary numbers do not hold
        assert GERMAN.figure(value, 2).replace(",", ".") == NEUTRAL.figure(value, 2)


def test_a_difference_of_temperatures_knows_no_zero():
    assert US.quantity(10.0, "temperature_c", difference=True, sign=True) == "+18.0 °F"


def test_a_trend_is_converted_whole_but_for_an_error_in_per_cent():
    change = {"absolute": 2.54, "ci_low": -2.54, "ci_high": 5.08, "percent": 3.0}
    point = {"value": 76.2, "date": "2026-03-14", "change_from_first": change, "notes": ["76.2 cm"]}
    error = {"value": 2.0, "scale": "log"}
    trend = {
        "quantity": "waist_cm",
        "series": [
            {"points": [point], "typical_error": error, "detectable_low": 73.66, "detectable_high": None}
        ],
    }
    series = US.document(trend)["series"][0]
    shown = series["points"][0]
    assert (shown["value"], series["detectable_low"], series["detectable_high"]) == (30.0, 29.0, None)
    assert shown["change_from_first"] == {"absolute": 1.0, "ci_low": -1.0, "ci_high": 2.0, "percent": 3.0}
    assert (shown["date"], shown["notes"], series["typical_error"]) == ("2026-03-14", ["76.2 cm"], error)
    linear = {"quantity": "waist_cm", "series": [{"typical_error": {"value": 2.54, "scale": "linear"}}]}
    assert US.document(linear)["series"][0]["typical_error"]["value"] == 1.0
    assert NEUTRAL.document(trend) is trend
    group = {
        "quantity": "waist_cm",
        "arms": [{"lines": [{"code": "A", "values": {"1": 25.4, "2": None}}], "means": [{"mean": 50.8}]}],
    }
    assert US.document(group)["arms"][0] == {
        "lines": [{"code": "A", "values": {"1": 10.0, "2": None}}],
        "means": [{"mean": 20.0}],
    }


@pytest.mark.parametrize(
    ("locale", "day", "moment"),
    [
        ("", "2026-03-04", "2026-03-04 15:05"),
        ("de-DE", "4.3.2026", "4.3.2026 15:05"),
        ("en-GB", "04/03/2026", "04/03/2026 15:05"),
        ("en-US", "3/4/2026", "3/4/2026 3:05\u202fPM"),
        ("sv", "2026-03-04", "2026-03-04 15:05"),
    ],
)
def test_days_and_moments_are_in_the_order_of_the_locale(locale, day, moment):
    # Unicode CLDR, skeleton yMd, and the short time.
    display = Display(locale)
    assert display.day(date(2026, 3, 4)) == display.day("2026-03-04") == day
    assert display.day(datetime(2026, 3, 4, 15, 5)) == day  # noqa: DTZ001 the clock of its place
    assert display.moment(datetime(2026, 3, 4, 15, 5)) == moment  # noqa: DTZ001


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        ("2,060 mL/min (29.4 mL/kg/min).", "2.060 mL/min (29,4 mL/kg/min)."),
        ("a rise of 1,234.5 mL/min, 6.5 km/h.", "a rise of 1.234,5 mL/min, 6,5 km/h."),
        ("on 2026-03-14, by 1.5 kg", "on 14.3.2026, by 1,5 kg"),
        ("rows 1, 2 and 3; 60 s at 10:30", "rows 1, 2 and 3; 60 s at 10:30"),
        ("doi 10.1249/01.mss, version 1.2.3", "doi 10.1249/01.mss, version 1.2.3"),
        ("test T-2026-03-14-2, 2026-02-31", "test T-2026-03-14-2, 2026-02-31"),
    ],
)
def test_a_finished_sentence_takes_the_marks_of_the_locale_and_nothing_else(sentence, said):
    assert GERMAN.said(sentence) == said
    assert NEUTRAL.said(sentence) == sentence


@pytest.mark.parametrize("key", ["body_mass_kg", "height_cm", "temperature_c", "speed_km_h", None])
@pytest.mark.parametrize("display", [NEUTRAL, US, GERMAN, Display("de-DE", "us")])
def test_what_was_typed_stands_in_the_form_again(display, key):
    for text in ("71.5", "154.3", "68", "0.1", "-4.25", "1000"):
        written = text.replace(".", display.decimal_mark)
        stored = display.read(written, key)
        assert display.typed(stored, key) == written
        assert display.read(display.typed(stored, key), key) == stored


def test_a_stored_value_that_no_short_number_means_stands_in_the_form_to_two_more_decimals():
    assert US.typed(70.0, "body_mass_kg") == "154.324"
    assert math.isclose(US.read("154.324", "body_mass_kg"), 70.0, rel_tol=1e-5)


@pytest.mark.parametrize(
    ("display", "text"),
    [
        (NEUTRAL, "71,5"),
        (NEUTRAL, "2,060"),
        (GERMAN, "71.5"),
        (GERMAN, "2.060"),
        (NEUTRAL, "1e3"),
        (NEUTRAL, "nan"),
        (NEUTRAL, ""),
        (NEUTRAL, "."),
        (NEUTRAL, "٧١"),
    ],
)
def test_a_number_in_another_way_of_writing_is_refused_and_not_guessed(display, text):
    with pytest.raises(ValueError, match=f"such as 71[{display.decimal_mark}]5"):
        display.read(text)


def test_limits_are_told_in_the_unit_that_is_typed():
    low, high = US.of("body_mass_kg").hard
    assert (round(low, 2), round(high, 2)) == (22.05, 881.85)


@pytest.mark.parametrize(
    ("value", "text"),
    [(1.15, "1.15"), (150.0, "150"), (12345.6, "12,350"), (0.00012, "0.00012"), (None, "–")],
)
def test_a_number_of_which_only_the_unit_is_known_has_four_digits(value, text):
    assert NEUTRAL.significant(value) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0:00"), (59.6, "1:00"), (1050, "17:30"), (3723, "62:03"), (-5, "-0:05"), (None, "–")],
)
def test_the_clock_of_a_test_counts_minutes_and_seconds(seconds, text):
    assert GERMAN.clock(seconds) == NEUTRAL.clock(seconds) == text


@pytest.mark.parametrize("locale", ["xx-YY", "de_DE_and_more", "../etc", "deutsch"])
def test_an_unknown_locale_is_refused_at_the_start(locale):
    with pytest.raises(ValueError, match="must be a known locale such as en-GB"):
        Settings(locale=locale)
