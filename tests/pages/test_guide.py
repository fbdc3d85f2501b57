"""The guide as a program makes it: order, anchors, tables, refusals."""

import re
from collections import defaultdict
from itertools import pairwise

import pytest
from starlette.testclient import TestClient

from service.app import create_app
from service.intake.terms import known_terms, plain
from service.pages import guide
from service.settings import Settings


@pytest.fixture(scope="module")
def client():
    with TestClient(create_app(Settings(database_url="sqlite:///never-opened.db"))) as opened:
        yield opened


def test_pages_are_public_and_in_order(client) -> None:
    text = client.get("/guide").text
    contents = text[text.index('<nav class="contents"') :]

    assert re.findall(r'href="(/guide[^"]*)"', contents) == [
        "/guide" if name == "index" else f"/guide/{name}" for name in guide.pages()
    ]
    assert contents.count('aria-current="page"') == 1


def test_an_unknown_page_is_a_problem(client) -> None:
    answer = client.get("/guide/nothing")

    assert answer.status_code == 404
    assert answer.json()["type"] == "/guide/errors#not-found"


@pytest.mark.parametrize("address", ["/guide", "/docs"])
def test_the_record_is_one_step_from_the_guide_and_the_reference(client, address: str) -> None:
    assert 'href="/people"' in client.get(address).text


@pytest.mark.parametrize(
    ("heading", "anchor"),
    [
        ("Years of old files", "years-of-old-files"),
        ("A question, and its answer", "a-question-and-its-answer"),
        ("ETags", "etags"),
    ],
)
def test_anchors_are_the_words_of_the_heading(heading: str, anchor: str) -> None:
    assert guide.anchor_of(heading) == anchor


def test_every_line_of_a_page_that_asks_for_a_list_gets_one() -> None:
    for page in guide.pages().values():
        assert "{{" not in page.markdown, page.name


def test_wide_tables_scroll_by_themselves_and_by_keyboard() -> None:
    html = guide.pages()["quantities"].html

    assert (
        html.count('<div class="wide" tabindex="0"') == html.count("<table>") == html.count("</table></div>")
    )


def test_what_a_catalogue_holds_cannot_break_a_table() -> None:
    assert guide._table(["a"], [["one | two\nthree"]]).splitlines()[-1] == "| one \\| two three |"


def test_every_page_has_one_first_heading_and_no_level_is_left_out() -> None:
    for page in guide.pages().values():
        levels = [int(level) for level in re.findall(r"<h([1-6])", page.html)]
        assert levels[0] == 1, page.name
        assert levels.count(1) == 1, page.name
        assert all(later - earlier <= 1 for earlier, later in pairwise(levels)), page.name


def test_a_term_of_headers_means_one_thing() -> None:
    meanings = defaultdict(set)
    for measure, terms in known_terms().items():
        for term in terms:
            meanings[plain(term)].add(measure)

    assert {term: found for term, found in meanings.items() if len(found) > 1} == {}


def test_a_number_stays_with_its_unit_and_text_is_escaped() -> None:
    html = guide._renderer().render("within 3 % for 90 s, `5 s` & <2 min")

    assert "3\u00a0% for 90\u00a0s" in html
    assert "<code>5 s</code> &amp; &lt;2\u00a0min" in html
