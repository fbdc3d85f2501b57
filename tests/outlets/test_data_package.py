"""Rows to files and back."""

import io
import json
import math
from datetime import UTC, date, datetime

import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.outlets.cells import inert, restored
from service.outlets.data_package import Counted, evenly, in_pieces, read_csv, write_csv, write_parquet
from service.outlets.deidentify import age_group, days_since
from service.outlets.tables import Column

COLUMNS = (
    Column("text", "string", "A text"),
    Column("whole", "integer", "A whole number"),
    Column("number", "number", "A number"),
    Column("flag", "boolean", "A flag"),
    Column("day", "date", "A day"),
    Column("instant", "datetime", "An instant"),
    Column("json", "object", "JSON"),
)
TEXTS = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1
) | st.sampled_from(["=1+1", "'=1", "''", "-", "@a", "\t", "\r\n", 'a"b', "a,b", " ", "＝1", "\n=1"])
ROWS = st.lists(
    st.fixed_dictionaries(
        {
            "text": st.none() | TEXTS,
            "whole": st.none() | st.integers(-(2**53), 2**53),
            "number": st.none() | st.floats(allow_nan=False, allow_infinity=False),
            "flag": st.none() | st.booleans(),
            "day": st.none() | st.dates(date(1880, 1, 1)),
            "instant": st.none()
            | st.datetimes(datetime(1900, 1, 1), datetime(2199, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001 with `timezones`
            "json": st.none() | st.dictionaries(TEXTS, TEXTS | st.integers(0, 9), min_size=1, max_size=3),
        }
    ),
    max_size=6,
)


@given(ROWS)
@settings(max_examples=150, deadline=None)
def test_csv_gives_back_what_was_written(rows):
    stream = io.BytesIO()
    assert write_csv(stream, COLUMNS, in_pieces(COLUMNS, rows)) == len(rows)
    assert list(read_csv(io.StringIO(stream.getvalue().decode(), newline=""), COLUMNS)) == rows


@given(ROWS)
@settings(max_examples=50, deadline=None)
def test_parquet_gives_back_what_was_written(rows):
    stream = io.BytesIO()
    counted = Counted(stream)
    assert write_parquet(counted, COLUMNS, in_pieces(COLUMNS, rows)) == len(rows)
    assert counted.size == len(stream.getvalue())
    found = pq.read_table(io.BytesIO(stream.getvalue())).to_pylist()
    assert [row | {"json": row["json"] and json.loads(row["json"])} for row in found] == rows


@given(TEXTS)
def test_the_escape_can_be_undone(text):
    assert restored(inert(text)) == text
    assert not inert(text).startswith(("=", "+", "-", "@", "\t", "\r", "\n"))


def test_an_empty_text_is_missing_in_both():
    stream, parquet = io.BytesIO(), io.BytesIO()
    write_csv(stream, COLUMNS[:2], [{"text": ["", "a"], "whole": [1, 2]}])
    write_parquet(Counted(parquet), COLUMNS[:2], [{"text": ["", "a"], "whole": [1, 2]}])
    assert next(read_csv(io.StringIO(stream.getvalue().decode(), newline=""), COLUMNS[:2]))["text"] is None
    assert pq.read_table(io.BytesIO(parquet.getvalue()))["text"].to_pylist() == [None, "a"]


@pytest.mark.parametrize(("number", "groups"), [(0, 1), (12_000, 1), (50_000, 1), (50_001, 2), (120_000, 3)])
def test_more_rows_than_one_piece(number, groups):
    rows = [{"text": None, "whole": number} for number in range(number)]
    stream, parquet = io.BytesIO(), io.BytesIO()
    write_csv(stream, COLUMNS[:2], in_pieces(COLUMNS[:2], iter(rows)))
    write_parquet(Counted(parquet), COLUMNS[:2], in_pieces(COLUMNS[:2], rows))
    assert list(read_csv(io.StringIO(stream.getvalue().decode(), newline=""), COLUMNS[:2])) == rows
    file = pq.ParquetFile(io.BytesIO(parquet.getvalue()))
    assert file.metadata.num_row_groups == groups
    assert file.read().to_pylist() == rows


@given(st.lists(st.integers(0, 12_000), max_size=4))
@settings(max_examples=30, deadline=None)
def test_pieces_of_any_length_are_written_in_even_ones(lengths):
    ends = [sum(lengths[: place + 1]) for place in range(len(lengths))]
    given_pieces = [{"whole": range(end - n, end)} for n, end in zip(lengths, ends, strict=True)]
    found = [piece["whole"] for piece in evenly(given_pieces)]
    assert [number for values in found for number in values] == list(range(sum(lengths)))
    assert all(len(values) == 5000 for values in found[:-1])
    assert all(0 < len(values) <= 5000 for values in found)


def test_a_column_that_a_piece_lacks_is_missing():
    stream, parquet = io.BytesIO(), io.BytesIO()
    assert write_csv(stream, COLUMNS, [{"whole": [1, None]}]) == 2
    assert write_parquet(Counted(parquet), COLUMNS, [{"whole": [1, None]}]) == 2
    for found in (
        list(read_csv(io.StringIO(stream.getvalue().decode(), newline=""), COLUMNS)),
        pq.read_table(io.BytesIO(parquet.getvalue())).to_pylist(),
    ):
        assert [row.pop("whole") for row in found] == [1, None]
        assert {value for row in found for value in row.values()} == {None}


@pytest.mark.parametrize("content", ["", "text,other\r\n", "text,whole\r\na,b\r\n", "text,whole\r\na\r\n"])
def test_another_file_is_refused(content):
    with pytest.raises(ValueError, match=r"header|invalid literal|argument"):
        list(read_csv(io.StringIO(content, newline=""), COLUMNS[:2]))


@pytest.mark.parametrize(
    ("age", "group"),
    [(None, None), (0, "0-9"), (9.99, "0-9"), (10, "10-19"), (89.99, "80-89"), (90, "90+"), (111.5, "90+")],
)
def test_age_groups(age, group):
    assert age_group(age) == group


@pytest.mark.parametrize(
    ("moment", "days"),
    [(date(2031, 5, 6), 0), (date(2031, 5, 5), -1), (datetime(2031, 5, 7, 23, 59, tzinfo=UTC), 1)],
)
def test_days(moment, days):
    assert days_since(date(2031, 5, 6), moment) == days
    assert not math.isnan(days)
