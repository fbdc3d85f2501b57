"""Tables to fill in: the page explains each, the download is what it says, and it becomes a test without a question."""

import csv
import io

import pytest

from service.intake.templates import TEMPLATES


def test_each_table_is_explained_and_can_be_had_in_both_forms(browser, reader_key):
    one = browser(reader_key)
    text = one.get("/imports/templates").text
    for name, template in TEMPLATES.items():
        part = text.split(f'<h2 id="{name}">')[1].split("</section>")[0]
        for column in template.columns:
            assert f'<th scope="row">{column.name}' in part
            assert column.meaning in part
        for mark in (".", ","):
            for more in ("", "&amp;filled=true"):
                assert f'href="/v1/import-templates/{name}?decimal_mark={mark}{more}"' in part


@pytest.mark.parametrize(("mark", "delimiter"), [(".", ","), (",", ";")])
@pytest.mark.parametrize("name", list(TEMPLATES))
def test_a_signed_in_browser_downloads_it(browser, reader_key, name, mark, delimiter):
    answer = browser(reader_key).get(f"/v1/import-templates/{name}", params={"decimal_mark": mark})
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.headers["content-disposition"] == f'attachment; filename="{name}-template.csv"'
    lines = list(csv.reader(io.StringIO(answer.text), delimiter=delimiter))
    template = TEMPLATES[name]
    assert lines[0] == [column.name for column in template.columns]
    assert lines[1:] == ([[column.unit for column in template.columns]] if template.has_units else [])


def test_the_interface_lists_them(client):
    listed = client.get("/v1/import-templates").json()
    assert [one["name"] for one in listed["items"]] == list(TEMPLATES)
    (end, *_) = listed["items"][0]["columns"]
    assert (end["name"], end["unit"], end["needed"]) == ("end of interval", "s", True)


def test_what_is_not_there_is_told(client):
    assert client.get("/v1/import-templates/nothing").status_code == 404
    assert client.get("/v1/import-templates/stages", params={"decimal_mark": ";"}).status_code == 422


@pytest.mark.parametrize("mark", [".", ","])
@pytest.mark.parametrize("name", ["intervals", "stages"])
def test_filled_in_it_becomes_a_judged_test(laboratory, client, name, mark):
    text = client.get(f"/v1/import-templates/{name}", params={"filled": True, "decimal_mark": mark}).content
    visit = laboratory.visit(laboratory.subject()["id"])
    made = laboratory.upload(visit["id"], text, {"mode": "cycle"})
    assert made.status_code == 201, made.text
    analysis = laboratory.analysis(made.json()["test_id"])
    highest = max(row["HR"] for row in TEMPLATES[name].example())
    assert analysis["maxima"]["heart_rate_bpm"] == pytest.approx(highest, abs=3)
