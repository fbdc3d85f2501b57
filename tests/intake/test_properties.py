"""Whatever the order of columns, the delimiter, the decimal mark, the encoding: one and the same test."""

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import UpslopeError
from service.intake import ColumnChoice, ReadOptions, read_test_file
from service.intake.units import factor, parse_unit

COLUMNS = {
    "vo2_ml_min": ("V'O2", "mL/min", st.integers(15000, 65000)),
    "vco2_ml_min": ("VCO2", "mL/min", st.integers(15000, 65000)),
    "ve_l_min": ("VE", "L/min", st.integers(100, 1500)),
    "heart_rate_bpm": ("Herzfrequenz", "1/min", st.integers(400, 2100)),
    "work_rate_w": ("Power", "W", st.integers(0, 4000)),
    "petco2_mmhg": ("PetCO2", "mmHg", st.integers(250, 550)),
}


@st.composite
def recordings_in_tenths(draw):
    """Values in tenths, so that a decimal mark is always there."""
    count = draw(st.integers(3, 12))
    keys = draw(st.lists(st.sampled_from(sorted(COLUMNS)), min_size=1, max_size=6, unique=True))
    step = draw(st.integers(50, 900))
    return {
        "step": step,
        "values": {key: draw(st.lists(COLUMNS[key][2], min_size=count, max_size=count)) for key in keys},
    }


def tenths(value, mark):
    return f"{value // 10}{mark}{value % 10}"


@settings(max_examples=60, deadline=None)
@given(
    test=recordings_in_tenths(),
    order=st.randoms(use_true_random=False),
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    mark=st.sampled_from([".", ","]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"]),
    brackets=st.sampled_from(["[]", "()", "row", ", "]),
    above=st.integers(0, 3),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_any_dress_of_a_file_reads_the_same(test, order, delimiter, mark, encoding, brackets, above, end):
    if delimiter == ",":
        mark = "."
    if delimiter == "," and brackets == ", ":
        brackets = "[]"
    count = len(next(iter(test["values"].values())))
    columns = [("Time", "s", [tenths(test["step"] * (at + 1), mark) for at in range(count)])]
    for key, values in test["values"].items():
        columns.append((COLUMNS[key][0], COLUMNS[key][1], [tenths(value, mark) for value in values]))
    order.shuffle(columns)
    if brackets == "row":
        head = [[name for name, _, _ in columns], [unit for _, unit, _ in columns]]
    elif brackets == ", ":
        head = [[f"{name}, {unit}" for name, unit, _ in columns]]
    else:
        head = [[f"{name} {brackets[0]}{unit}{brackets[1]}" for name, unit, _ in columns]]
    rows = [["Prüfung"], [], ["Ort", "Süd"]][:above] + head
    rows += [[cells[at] for _, _, cells in columns] for at in range(count)]
    data = end.join(delimiter.join(row) for row in rows).encode(encoding)

    test_file = read_test_file(data, "test.csv")

    series = test_file.series
    expected = [float(tenths(test["step"] * (at + 1), ".")) for at in range(count)]
    assert series.end_s.tolist() == expected
    assert set(series.channels) == set(test["values"])
    for key, values in test["values"].items():
        assert series.channels[key].tolist() == [float(tenths(value, ".")) for value in values]
    assert test_file.row_numbers == tuple(above + len(head) + 1 + at for at in range(count))


@settings(max_examples=60, deadline=None)
@given(
    start=st.integers(1, 3000),
    steps=st.lists(st.integers(1, 300), min_size=3, max_size=20),
    notation=st.sampled_from(["s", "min", "h", "ms", "d", "m:ss", "mm:ss", "h:mm:ss"]),
)
def test_notations_of_time_are_equal(start, steps, notation):
    seconds = np.cumsum([start, *steps])
    plain = {"s": 1, "min": 60, "h": 3600, "ms": 0.001, "d": 86400}
    if notation in plain:
        cells = [repr(float(value / plain[notation])) for value in seconds]
    elif notation == "h:mm:ss":
        cells = [str(dt.timedelta(seconds=int(value))) for value in seconds]
    else:
        width = 2 if notation == "mm:ss" else 1
        cells = [f"{int(value) // 60:0{width}d}:{int(value) % 60:02d}" for value in seconds]
    text = f"Time [{notation}];HR\n" + "\n".join(f"{cell};{100 + at}" for at, cell in enumerate(cells))
    found = read_test_file(text.encode(), "test.csv").series
    assert found.end_s == pytest.approx(seconds, rel=1e-9)


@settings(max_examples=80, deadline=None)
@given(
    text=st.text(
        alphabet=st.sampled_from("time_sVO2HR ,;\t\n\r\"':.-+0123456789eNa()[]/mLi%\u00e4\ufeff|"),
        max_size=300,
    )
)
def test_no_text_makes_anything_but_a_test_or_a_refusal(text):
    for head in ("", "time_s,VO2 (mL/min),HR\n"):
        try:
            series = read_test_file((head + text).encode(), "test.csv").series
        except UpslopeError:
            continue
        assert np.all(np.diff(series.end_s) > 0)
        assert np.all(series.duration_s > 0)
        assert np.isfinite(series.end_s).all()


@settings(max_examples=40, deadline=None)
@given(data=st.binary(max_size=400))
def test_no_bytes_make_anything_but_a_refusal(data):
    with pytest.raises(UpslopeError):
        read_test_file(data, "test.csv", ReadOptions(columns={"a": ColumnChoice("time", "s")}))


UNITS = [
    "mL/min",
    "L/min",
    "mL/kg/min",
    "W",
    "kgm/min",
    "km/h",
    "mph",
    "m/s",
    "m/min",
    "%",
    "fraction",
    "mmHg",
    "kPa",
    "hPa",
]


@pytest.mark.parametrize("source", UNITS)
@pytest.mark.parametrize("target", UNITS)
def test_conversion_there_and_back_is_the_same_or_neither_is(source, target):
    there, back = (
        factor(parse_unit(source), parse_unit(target)),
        factor(parse_unit(target), parse_unit(source)),
    )
    assert (there is None) == (back is None)
    if there is not None and back is not None:
        assert there * back == pytest.approx(1, rel=1e-12)
