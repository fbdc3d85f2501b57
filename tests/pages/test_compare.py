"""Two tests of a person beside each other, on a page."""

import re

import pytest

from tests.api.test_comparison import cycle


@pytest.fixture
def person(laboratory):
    return laboratory.subject(code="A-07", given_name="Ida", family_name="Invented", sex="female")


@pytest.fixture
def add(laboratory, person):
    """Adds a complete cycle test of a day; answers its id."""

    def add_one(day, heart_rate_less=0.0, *, rows=None, mass=70.0, **fields):
        visit = laboratory.visit(person["id"], started_at=f"{day}T09:30:00+01:00", body_mass_kg=mass)
        made = rows or cycle(heart_rate_less)
        return laboratory.complete(visit["id"], made, **({"mode": "cycle"} | fields))["id"]

    return add_one


@pytest.fixture
def look(browser, tester_key, person):
    one = browser(tester_key)

    def at(**query):
        return one.get(f"/people/{person['id']}/compare", params=query)

    return at


def chosen(text, name):
    """The value that a choice stands on."""
    part = text.split(f'<select id="{name}"')[1].split("</select>")[0]
    return re.search(r'value="([^"]*)" selected', part).group(1)


def test_it_takes_two_tests(look, add):
    assert "This takes two tests; there is none so far." in look().text
    add("2026-01-10")
    text = look().text
    assert "there is one so far" in text
    assert "<form" not in text.split("<main")[1]


def test_it_begins_with_the_latest_and_the_one_most_like_it(look, add, rows):
    first = add("2026-01-10")
    add("2026-02-10", rows=rows(), mode="treadmill")
    latest = add("2026-03-10", 16.0)
    text = look().text
    assert (chosen(text, "first"), chosen(text, "second")) == (first, latest)


def test_one_test_may_be_named(look, add):
    first, second = add("2026-01-10"), add("2026-02-10")
    add("2026-03-10")
    text = look(second=second).text
    assert (chosen(text, "first"), chosen(text, "second")) == (first, second)
    # The first has none before it: the next one stands beside it, in the order of time.
    text = look(second=first).text
    assert (chosen(text, "first"), chosen(text, "second")) == (first, second)


def test_what_is_told_is_what_was_found(look, add, client, person):
    first, second = add("2026-01-10"), add("2026-04-10", 16.0)
    text = look().text
    lead = text.split('aria-label="In words"')[1].split("</section>")[0]
    assert (
        "Peak oxygen uptake per body mass 35.0 mL/kg/min on 2026-01-10, 35.0 mL/kg/min on 2026-04-10" in lead
    )
    assert "within what two tests of one person differ by chance" in lead
    assert (
        "At 100 W heart rate was 104 beats/min after 120 beats/min: more than two tests of one person differ by chance."
        in lead
    )
    assert "That is what endurance training does; a medication can do it too." in lead
    heart = text.split(">Heart rate</a>")[1].split("</tr>")[0]
    assert "-16" in heart
    assert "lower, more than chance" in heart
    assert ">error not known<" in text.split(">Respiratory exchange ratio</a>")[1].split("</tr>")[0]
    found = client.get(
        f"/v1/subjects/{person['id']}/comparison", params={"first": first, "second": second}
    ).json()
    for one in found["results"]:
        assert one["label"] in text
    assert found["method"]["text"][:40] in text
    assert "Wilmore JH" in text


def test_its_charts_are_drawn_for_the_session(look, add, browser, tester_key):
    add("2026-01-10"), add("2026-04-10", 16.0)
    text = look(channel="ve_vco2").text
    addresses = [
        one.replace("&amp;", "&") for one in re.findall(r'<img class="chart"[^>]*src="([^"]+)"', text)
    ]
    assert [("against=work_rate" in one, "channel=ve_vco2" in one) for one in addresses] == [
        (True, True),
        (False, True),
    ]
    one = browser(tester_key)
    for address in addresses:
        assert one.get(address).headers["content-type"] == "image/svg+xml"


def test_what_cannot_be_compared_is_said(look, add, rows):
    first, second = add("2026-01-10"), add("2026-04-10", rows=rows(), mode="treadmill")
    text = look(first=first, second=second).text
    assert "The tests were done in different modes (cycle and treadmill)" in text
    assert "The two differ in mode: cycle and treadmill." in text
    assert "% of peak, near the middle of what both tests have" in text


def test_the_parts_of_a_change_per_body_mass_are_told(look, add):
    add("2026-01-10"), add("2026-04-10", mass=66.5)
    assert "it is mainly body mass that moved." in look().text


@pytest.mark.parametrize(
    ("query", "field", "words"),
    [
        ({"second": "nothing"}, "second", "names no test of this person"),
        ({"first": "", "second": "nothing"}, "second", "names no test of this person"),
        ({"first": "same"}, "second", "must be another test than the first"),
        ({"channel": "grip_strength_kg"}, "channel", "is nothing that is compared"),
        ({"second": "<script>"}, "second", "names no test of this person"),
    ],
)
def test_a_refusal_stands_at_its_field(look, add, at_field, query, field, words):
    first, second = add("2026-01-10"), add("2026-04-10")
    asked = {"first": first, "second": second} | query
    if query.get("first") == "same":
        asked["first"] = second
    answer = look(**asked)
    assert answer.status_code == 422
    assert words in at_field(answer.text, field)
    assert "<script>" not in answer.text.split("<main")[1]
    if "first" not in query:
        # What was chosen stays chosen.
        assert chosen(answer.text, "first") == first


def test_it_is_linked_from_the_person_and_the_test(browser, tester_key, add, person):
    one = browser(tester_key)
    first = add("2026-01-10")
    assert "/compare" not in one.get(f"/people/{person['id']}").text
    add("2026-04-10")
    assert f'href="/people/{person["id"]}/compare"' in one.get(f"/people/{person['id']}").text
    assert f"/people/{person['id']}/compare?second={first}" in one.get(f"/tests/{first}").text


def test_a_reader_may_look_and_somebody_else_may_not(
    browser, reader_key, store, make_key, add, person, laboratory
):
    add("2026-01-10"), add("2026-04-10")
    text = browser(reader_key).get(f"/people/{person['id']}/compare").text
    assert "Ida" not in text
    assert "Results" in text
    laboratory.subject(code="B-01")
    other = browser(make_key(store, "coach", "tester", subject_codes=["B-01"]))
    assert other.get(f"/people/{person['id']}/compare").status_code == 404
