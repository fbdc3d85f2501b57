"""The de-identified profile: nothing of what 45 CFR 164.514(b)(2) lists is left of any person.

The list is that of the rule as printed by universities (read): names, places, dates but the year, ages over 89, telephone,
mail, record and device numbers, any other code. Days since the first test stand for the dates.
"""

import re
from collections import Counter
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.exports.workflow import Question, export_folder
from service.outlets.data_package import read_csv
from service.outlets.tables import AGE_GROUPS, tables_of

DATE = re.compile(r"(19|20)\d\d-\d\d-\d\d|\d\d:\d\d")


def read(folder: Path) -> dict[str, list[dict[str, Any]]]:
    answer = {}
    for table in tables_of("deidentified"):
        with (folder / f"{table.name}.csv").open(newline="", encoding="utf-8") as stream:
            answer[table.name] = list(read_csv(stream, table.of_profile("deidentified")))
    return answer


people = st.fixed_dictionaries(
    {
        "sex": st.sampled_from(["female", "male", None]),
        "days": st.lists(st.integers(0, 9000), min_size=0, max_size=3, unique=True).map(sorted),
    },
    optional={
        "birth_date": st.dates(date(1920, 1, 1), date(2025, 12, 31)),
        "age_years": st.floats(0, 110).map(lambda years: round(years, 1)),
    },
)
# A mark that no word of the program has, among letters of any script.
texts = st.tuples(
    st.sampled_from(["=", "", "+49 30 1234", "zoë@example.org ", "Ünal ", "王小明 "]),
    st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=12),
).map(lambda parts: f"{parts[0]}Qx7canary{parts[1]}")


def test_nothing_that_identifies_is_left(store, builder, tmp_path):
    made = iter(range(1000))

    @settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.lists(people, min_size=1, max_size=4), texts)
    def check(some: list[dict[str, Any]], text: str) -> None:
        cohort, originals = builder.cohort(some, text)
        folders = [tmp_path / str(next(made)) for _ in range(2)]
        for folder in folders:
            export_folder(store, "tester", Question(cohort, "deidentified"), folder)
        for path in folders[0].iterdir():
            told = path.read_text("utf-8")
            assert "canary" not in told
            assert text not in told
            assert not [one for one in originals if one in told]
            assert "ab" * 32 not in told
            assert "cd" * 32 not in told
            if path.suffix == ".csv" and path.name not in {"quantities.csv", "data_dictionary.csv"}:
                assert not DATE.search(told), path.name
        first, second = (read(folder) for folder in folders)
        for name, column in (("subjects", "subject_id"), ("visits", "visit_id"), ("tests", "test_id")):
            assert not {row[column] for row in first[name]} & {row[column] for row in second[name]}
            assert len({row[column] for row in first[name]}) == len(first[name])
        for table in tables_of("deidentified"):
            for key in table.foreign_keys:
                known = {row[key.reference] for row in first[key.table]} | {None}
                assert {row[key.column] for row in first[table.name]} <= known
        assert len(first["subjects"]) == len(some)
        assert len(first["visits"]) == sum(len(one["days"]) for one in some)
        for row in first["visits"]:
            assert row["age_years"] is None or 0 <= row["age_years"] <= 89
            assert row["age_group"] in {None, *AGE_GROUPS}

    check()


@pytest.fixture
def rows(store, builder, tmp_path):
    def export(*some: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
        cohort, _ = builder.cohort(list(some), "words")
        export_folder(store, "tester", Question(cohort, "deidentified"), tmp_path / "out")
        return read(tmp_path / "out")

    return export


def test_days_count_from_the_first_test(rows):
    found = rows({"sex": "male", "age_years": 40.0, "days": [3, 10, 400]})
    assert [row["day"] for row in found["visits"]] == [0, 7, 397]
    assert {row["day"] for row in found["results"]} == {0, 7, 397}
    (member,) = found["cohort_members"]
    assert (member["joined_day"], member["left_day"]) == (-3, -2)


@pytest.mark.parametrize(
    ("birth_date", "days", "ages", "groups"),
    [
        # The day before and the day of the 90th birthday.
        (date(1941, 5, 7), [0], [89], ["80-89"]),
        (date(1941, 5, 6), [0], [None], ["90+"]),
        # Who turns 90 within the record: an age and the days since would tell an age over 89.
        (date(1941, 6, 1), [0, 60], [None, None], ["90+", "90+"]),
        (date(1921, 6, 1), [0], [None], ["90+"]),
        (date(1990, 5, 7), [0, 1], [40, 41], ["40-49", "40-49"]),
        (date(2031, 1, 1), [0], [0], ["0-9"]),
    ],
)
def test_ages_over_89_are_together(rows, birth_date, days, ages, groups):
    found = rows({"sex": "female", "birth_date": birth_date, "days": days})
    assert [row["age_years"] for row in found["visits"]] == ages
    assert [row["age_group"] for row in found["visits"]] == groups
    eldest = groups[0] == "90+"
    # What is worked out from the age would tell it.
    assert Counter(row["basis"] for row in found["results"])["estimated"] == (0 if eldest else len(days))
    assert [row["age_band"] for row in found["norms_used"]] == [None if eldest else "30-39"] * len(days)
    assert [row["percentile"] for row in found["norms_used"]] == [None if eldest else 41.0] * len(days)


def test_an_event_of_later_years_tells_no_age_over_89(store, builder, rows, tmp_path):
    # The event lies on the day of the first visit of the other: 89 years then, and 90 at the last visit.
    born = date(2031, 5, 6) - timedelta(days=int(89.9 * 365.2425))
    found = rows({"sex": "male", "birth_date": born, "days": [0, 100]})
    assert {row["age_group"] for row in found["visits"]} == {"90+"}


def test_every_text_is_an_id_a_label_or_a_word_of_the_program():
    """So nothing that a person wrote can come through, whatever is added to the tables."""
    loose = [
        f"{table.name}.{column.name}"
        for table in tables_of("deidentified")
        for column in table.of_profile("deidentified")
        if column.type in {"string", "object"}
        and not column.known
        and column.how not in {"id", "label", "age_group", "age_band"}
        and column.kind not in {"version", "words of the program"}
    ]
    assert loose == []


def test_no_column_of_a_date_is_left():
    left = [
        f"{table.name}.{column.name}"
        for table in tables_of("deidentified")
        for column in table.of_profile("deidentified")
        if column.type in {"date", "datetime"} or column.name.endswith(("_at", "_on", "birth_year"))
    ]
    assert left == []


def test_it_says_how_alike_people_are(store, builder, tmp_path):
    alike = {"sex": "male", "age_years": 44.0}
    cohort, _ = builder.cohort([alike, alike, alike], "words")
    made = export_folder(store, "tester", Question(cohort, "deidentified"), tmp_path / "out")
    assert made.smallest_group == 3
    told = (tmp_path / "out" / "README.md").read_text("utf-8")
    assert "with 2 others" in told
    assert "Not anonymous" in told
    package = (tmp_path / "out" / "datapackage.json").read_text("utf-8")
    assert '"created"' not in package
