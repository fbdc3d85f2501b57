"""Files into tests over HTTP: what is read is said, and what is refused leaves nothing behind."""

import io
import zipfile
from typing import Any

import pytest


@pytest.fixture
def visit(laboratory):
    return laboratory.visit(laboratory.subject()["id"])


@pytest.fixture
def traces(client, visit):
    """All that an import could leave behind: tests, tag, feed, results."""

    def look() -> tuple[Any, ...]:
        subject = f"/v1/subjects/{visit['subject_id']}"
        return (
            client.get(f"/v1/visits/{visit['id']}").json()["tests"],
            client.get(subject).headers["etag"],
            client.get("/v1/changes").json(),
            client.get(f"{subject}/trends").json()["items"],
        )

    return look


def test_what_was_read_is_said(client, laboratory, visit, rows, csv_file):
    data = csv_file(rows(), Colour=["red"] * len(rows()))
    answer = laboratory.upload(
        visit["id"], data, {"mode": "treadmill", "stop_reason": "legs"}, name="a b.csv"
    )
    assert answer.status_code == 201
    told = answer.json()
    assert set(told) >= {"test_id", "existing", "columns", "rows", "findings", "analysis_url"}
    assert (told["existing"], told["rows"]) == (False, len(rows()))
    assert told["analysis_url"] == f"/v1/tests/{told['test_id']}/analysis"
    assert answer.headers["location"] == f"/v1/tests/{told['test_id']}"
    columns = {column["header"]: column for column in told["columns"]}
    assert all(
        set(column) == {"header", "index", "quantity", "unit", "from", "factor"} for column in told["columns"]
    )
    assert columns["VO2 (mL/min)"]["quantity"] == "vo2_ml_min"
    assert columns["VO2 (mL/min)"]["unit"] == "mL/min"
    assert columns["Colour"]["quantity"] is None
    test = client.get(answer.headers["location"]).json()
    assert (test["status"], test["purpose"], test["stop_reason"], test["source_name"]) == (
        "complete", "maximal", "legs", "a b.csv",
    )  # fmt: skip
    analysis = client.get(told["analysis_url"]).json()
    assert analysis["peak"]["vo2_ml_min"] == pytest.approx(3600, rel=0.01)
    assert {one["code"] for one in told["findings"]} <= {one["code"] for one in analysis["findings"]}
    kept = client.get(f"/v1/tests/{told['test_id']}/intervals", params={"limit": 500}).json()["items"]
    assert [row["vo2_ml_min"] for row in kept] == [row["vo2_ml_min"] for row in rows()]


def test_options_win_over_the_file(client, laboratory, visit, rows, csv_file):
    part = rows()
    options = {
        "mode": "treadmill",
        "shape": "ramp",
        "purpose": "submaximal",
        "protocol_id": "bruce",
        "exercise_start_s": 200,
        "exercise_end_s": 800,
        "columns": {
            "HR (beats/min)": None,
            "Extra": {"quantity": "respiratory_rate_per_min", "unit": "/min"},
        },
    }
    told = laboratory.upload(
        visit["id"], csv_file(part, Extra=[20 + place % 5 for place in range(len(part))]), options
    ).json()
    test = client.get(f"/v1/tests/{told['test_id']}").json()
    assert {name: test[name] for name in options if name != "columns"} == {
        name: value for name, value in options.items() if name != "columns"
    }
    first = client.get(f"/v1/tests/{test['id']}/intervals").json()["items"][0]
    assert (first["heart_rate_bpm"], first["respiratory_rate_per_min"]) == (None, 20.0)
    assert laboratory.analysis(test["id"])["marks"]["exercise_end_s"] == 800
    froms = {column["header"]: column["from"] for column in told["columns"]}
    assert froms["Extra"] == "option"


def test_a_dry_run_stores_nothing(laboratory, visit, rows, csv_file, traces):
    before = traces()
    answer = laboratory.upload(visit["id"], csv_file(rows()), dry_run=True)
    assert answer.status_code == 200
    told = answer.json()
    assert (told["test_id"], told["analysis_url"], told["rows"]) == (None, None, len(rows()))
    assert len(told["first_rows"]) >= 3
    assert told["first_rows"][0]["vo2_ml_min"] == rows()[0]["vo2_ml_min"]
    assert traces() == before


def test_the_same_file_again(laboratory, visit, rows, csv_file, traces):
    data, options = csv_file(rows()), {"mode": "treadmill", "columns": {"Phase": None}}
    first = laboratory.upload(visit["id"], data, options).json()
    before = traces()
    again = laboratory.upload(visit["id"], data, options)
    assert again.status_code == 200
    assert again.json() == first | {"existing": True, "first_rows": None}
    other = laboratory.upload(visit["id"], data, {"mode": "treadmill"})
    assert other.status_code == 409
    assert other.json()["test_id"] == first["test_id"]
    assert traces() == before


def test_the_same_file_in_another_visit_is_another_test(laboratory, visit, rows, csv_file):
    other = laboratory.visit(visit["subject_id"], started_at="2026-05-01T10:00:00Z")
    first = laboratory.upload(visit["id"], csv_file(rows())).json()
    second = laboratory.upload(other["id"], csv_file(rows()))
    assert second.status_code == 201
    assert second.json()["test_id"] != first["test_id"]


def test_a_file_read_anew_into_its_test(client, laboratory, visit, rows, csv_file):
    data = csv_file(rows())
    first = laboratory.upload(
        visit["id"], data, {"mode": "treadmill", "exercise_end_s": 600, "shape": "ramp"}
    ).json()
    client.patch(f"/v1/tests/{first['test_id']}", json={"ergometer": "the old one", "stop_reason": "breath"})
    wrong = laboratory.analysis(first["test_id"])["peak"]["vo2_ml_min"]
    anew = laboratory.upload(visit["id"], data, {"mode": "treadmill", "shape": "step"}, replace=True)
    assert anew.status_code == 200
    assert (anew.json()["test_id"], anew.json()["existing"]) == (first["test_id"], False)
    test = client.get(f"/v1/tests/{first['test_id']}").json()
    # What the options had set is as the new ones say; what was set by hand stays.
    assert (test["shape"], test["exercise_end_s"]) == ("step", None)
    assert (test["ergometer"], test["stop_reason"]) == ("the old one", "breath")
    assert laboratory.analysis(first["test_id"])["peak"]["vo2_ml_min"] > wrong
    assert client.get(f"/v1/visits/{visit['id']}").json()["tests"] == [first["test_id"]]
    assert (
        laboratory.upload(visit["id"], data, {"mode": "treadmill", "shape": "step"}).json()["existing"]
        is True
    )


def test_a_voided_file_may_come_again(client, laboratory, visit, rows, csv_file):
    first = laboratory.upload(visit["id"], csv_file(rows())).json()
    client.patch(f"/v1/tests/{first['test_id']}", json={"status": "void"})
    assert laboratory.upload(visit["id"], csv_file(rows())).status_code == 201


def bout(level_ml_min: float) -> list[dict[str, Any]]:
    """A verification bout of three minutes after a pause, at one speed."""
    rows = []
    for place in range(40):
        in_bout = 20 <= place < 32
        uptake = min(level_ml_min, 1500 + (place - 19) * 700) if in_bout else 800.0
        rows.append(
            {
                "end_s": 1200 + 15.0 * (place + 1),
                "duration_s": 15.0,
                "phase": "exercise" if in_bout else "warm_up" if place < 20 else "recovery",
                "vo2_ml_min": uptake + place % 3,
                "vco2_ml_min": round(uptake * 1.08, 1),
                "ve_l_min": round(uptake * 0.03, 2),
                "heart_rate_bpm": 186.0 if in_bout else 120.0,
                "speed_km_h": 15.5 if in_bout else 5.0,
                "grade_percent": 1.0,
            }
        )
    return rows


@pytest.mark.parametrize(
    ("level", "outcome", "verdict", "point"),
    [
        (3600.0, "confirmed", "verified", 3600.0),
        (4000.0, "above", "submaximal", 4000.0),
        (3300.0, "uninformative", None, 3600.0),
    ],
)
def test_two_tests_in_one_file(client, laboratory, visit, rows, csv_file, level, outcome, verdict, point):
    """A verification bout within 3 per cent confirms; above it is the session's peak; below it says nothing."""
    data = csv_file([*rows(), *bout(level)])
    end = rows()[-1]["end_s"]
    main = laboratory.upload(
        visit["id"], data, {"mode": "treadmill", "rows": [0, end], "stop_reason": "exhaustion"}
    )
    assert main.status_code == 201, main.text
    alone = laboratory.analysis(main.json()["test_id"])
    options = {"mode": "treadmill", "rows": [1200, 1800], "verifies_test_id": main.json()["test_id"]}
    second = laboratory.upload(visit["id"], data, options)
    assert second.status_code == 201, second.text
    assert client.get(f"/v1/tests/{second.json()['test_id']}").json()["purpose"] == "verification"
    analysis = laboratory.analysis(main.json()["test_id"])
    assert analysis["effort"]["verification"]["verdict"] == outcome
    assert analysis["effort"]["verdict"] == (verdict or alone["effort"]["verdict"])
    (series,) = laboratory.trend(visit["subject_id"], "vo2_peak_ml_min")["series"]
    (only,) = series["points"]
    assert only["test_id"] == main.json()["test_id"]
    assert only["value"] == pytest.approx(point, rel=0.01)
    if outcome == "above":
        assert only["counted"] is True
        assert any(one["code"] == "verification_not_confirming" for one in analysis["findings"])
    # Taking the link away takes its effect away.
    client.patch(f"/v1/tests/{second.json()['test_id']}", json={"status": "void"})
    after = laboratory.analysis(main.json()["test_id"])
    assert after["effort"] == alone["effort"]
    assert laboratory.trend(visit["subject_id"], "vo2_peak_ml_min")["series"][0]["points"][0][
        "value"
    ] == pytest.approx(3600, rel=0.01)


def test_a_file_for_a_planned_test(client, laboratory, visit, rows, csv_file):
    planned = laboratory.planned(visit["id"])
    client.post(f"/v1/tests/{planned['id']}/stage-notes", json=[{"stage": 6, "rpe": 19, "rpe_scale": "6-20"}])
    options = {"test_id": planned["id"], "offset_s": 30}
    answer = laboratory.upload(visit["id"], csv_file(rows()), options)
    assert answer.json()["test_id"] == planned["id"]
    assert answer.status_code == 200
    test = client.get(f"/v1/tests/{planned['id']}").json()
    assert (test["status"], test["stop_reason"], test["mode"]) == ("complete", "exhaustion", "treadmill")
    first = client.get(f"/v1/tests/{planned['id']}/intervals").json()["items"][0]
    assert first["end_s"] == rows()[0]["end_s"] + 30
    assert laboratory.analysis(planned["id"])["maxima"]["rpe"] == 19
    again = laboratory.upload(visit["id"], csv_file(rows()), options)
    assert (again.status_code, again.json()["existing"]) == (200, True)
    other = laboratory.upload(visit["id"], csv_file(rows(3000.0)), options)
    assert other.status_code == 409
    replaced = laboratory.upload(visit["id"], csv_file(rows(3000.0)), options, replace=True)
    assert replaced.status_code == 200
    assert laboratory.analysis(planned["id"])["peak"]["vo2_ml_min"] == pytest.approx(3000, rel=0.01)
    assert laboratory.analysis(planned["id"])["maxima"]["rpe"] == 19


@pytest.mark.parametrize(
    ("options", "location"),
    [
        ({}, "options"),
        ({"mode": "swim"}, "options.mode"),
        ({"mode": "cycle", "colour": "red"}, "options.colour"),
        ({"mode": "cycle", "protocol_id": "none"}, "options.protocol_id"),
        ({"mode": "cycle", "verifies_test_id": "none"}, "options.verifies_test_id"),
        ({"test_id": "none"}, "options.test_id"),
        ({"mode": "cycle", "exercise_start_s": 9, "exercise_end_s": 3}, "options"),
        ({"mode": "cycle", "columns": {"No such": {"quantity": "vo2_ml_min"}}}, "options.columns"),
        ({"mode": "cycle", "columns": {"VO2 (mL/min)": {"quantity": "luck"}}}, "options.columns"),
        ({"mode": "cycle", "columns": {"VO2 (mL/min)": {"quantity": "vo2_ml_min", "unit": "furlong"}}}, "options.columns"),
        ({"mode": "cycle", "rows": [600, 0]}, "options.rows"),
        ({"mode": "cycle", "rows": [90_000, 90_001]}, "options.rows"),
        ({"mode": "cycle", "sheet": "second"}, "options.sheet"),
    ],
    ids=str,
)  # fmt: skip
def test_options_that_cannot_be(options, location, laboratory, visit, rows, csv_file, traces):
    before = traces()
    answer = laboratory.upload(visit["id"], csv_file(rows()), options)
    assert answer.status_code == 422, answer.text
    assert any(place["location"].startswith(location) for place in answer.json()["errors"]), answer.text
    assert traces() == before


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "7", '{"mode": NaN}', '{"mode": "\ud800"}', '{"rows": [0, 1e999], "mode": "cycle"}'],
)
def test_options_that_are_no_options(text, client, visit, rows, csv_file):
    answer = client.post(
        f"/v1/visits/{visit['id']}/imports",
        files={"file": ("a.csv", csv_file(rows()))},
        data={"options": text.encode("utf-8", "surrogatepass").decode("utf-8", "replace")},
    )
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["location"].startswith(("options", "body.options"))


def zip_bomb() -> bytes:
    """A workbook of a few hundred kilobytes whose one sheet unpacks to 700 MiB."""
    import openpyxl

    small, large = io.BytesIO(), io.BytesIO()
    openpyxl.Workbook().save(small)
    with zipfile.ZipFile(small) as plain, zipfile.ZipFile(large, "w", zipfile.ZIP_DEFLATED) as bomb:
        for name in plain.namelist():
            if "sheet1.xml" not in name:
                bomb.writestr(name, plain.read(name))
        with bomb.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as sheet:
            for _ in range(700):
                sheet.write(b" " * 1024 * 1024)
    return large.getvalue()


def lines(*texts: str) -> bytes:
    return "\n".join(texts).encode()


REFUSED = {
    "empty": b"",
    "blank": b"\n\n \n",
    "a picture": b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4,
    "a page": b"<!doctype html><html><body>no table</body></html>",
    "a header alone": b"time (s),VO2 (mL/min)\n",
    "no known column": lines("a,b", "1,2", "2,3", "3,4"),
    "no unit": lines("time (s),VO2", *(f"{15 * place},{3.1}" for place in range(1, 9))),
    "another unit than it says": lines("time (s),VO2 (mL/kg/min)", *(f"{15 * place},3200" for place in range(1, 9))),
    "negative uptake": lines("time (s),VO2 (mL/min)", "15,300", "30,-400", "45,500", "60,700"),
    "times that run backwards": lines("time (s),VO2 (mL/min)", "15,300", "45,400", "30,500", "60,700"),
    "rows that come twice": lines("time (s),VO2 (mL/min)", "15,300", "30,400", "30,400", "60,700"),
    "negative times": lines("time (s),VO2 (mL/min)", "-15,300", "-5,400", "30,400", "60,700"),
    "not a number": lines("time (s),VO2 (mL/min)", "15,300", "30,NaN", "45,inf", "60,700"),
    "a broken workbook": b"PK\x03\x04" + bytes(200),
    "a bomb": zip_bomb(),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_a_refused_file_leaves_nothing_behind(what, laboratory, visit, traces):
    before = traces()
    name = "test.xlsx" if what in {"a bomb", "a broken workbook"} else "test.csv"
    for dry_run in (True, False):
        answer = laboratory.upload(visit["id"], REFUSED[what], name=name, dry_run=dry_run)
        assert answer.status_code in {413, 415, 422}, answer.text
        problem = answer.json()
        assert problem["detail"]
        assert problem["errors"] or answer.status_code == 413
        assert all(place["message"] for place in problem["errors"])
    assert traces() == before


def test_faults_of_rows_name_row_and_column(laboratory, visit):
    answer = laboratory.upload(visit["id"], REFUSED["negative uptake"]).json()
    assert [(place["row"], place["column"]) for place in answer["errors"]] == [(3, "VO2 (mL/min)")]


@pytest.mark.parametrize(
    "name", ["", "../../etc/passwd", "a\x00b.csv", "n" * 400 + ".csv", "größe.csv", "<b>.csv"]
)
def test_names_of_files(name, client, laboratory, visit, rows, csv_file):
    answer = laboratory.upload(visit["id"], csv_file(rows()), name=name)
    assert answer.status_code in {201, 422}
    if answer.status_code == 201:
        kept = client.get(answer.headers["location"]).json()["source_name"]
        assert len(kept) <= 200
        assert not any(ord(sign) < 32 for sign in kept)


def test_a_file_for_another_visit_or_a_void_test(client, laboratory, visit, rows, csv_file):
    other = laboratory.visit(visit["subject_id"], started_at="2026-05-01T10:00:00Z")
    elsewhere = laboratory.planned(other["id"])
    assert laboratory.upload(visit["id"], csv_file(rows()), {"test_id": elsewhere["id"]}).status_code == 422
    assert (
        laboratory.upload(
            other["id"], csv_file(rows()), {"test_id": elsewhere["id"], "mode": "cycle"}
        ).status_code
        == 422
    )
    client.patch(f"/v1/tests/{elsewhere['id']}", json={"status": "void"})
    assert laboratory.upload(other["id"], csv_file(rows()), {"test_id": elsewhere["id"]}).status_code == 409


def test_an_import_names_the_state_it_changes(client, laboratory, visit, rows, csv_file):
    tag = client.get(f"/v1/visits/{visit['id']}").headers["etag"]
    assert laboratory.upload(visit["id"], csv_file(rows()), headers={"If-Match": '"x"'}).status_code == 412
    assert laboratory.upload(visit["id"], csv_file(rows()), headers={"If-Match": tag}).status_code == 201
    assert (
        laboratory.upload(visit["id"], csv_file(rows(3000.0)), headers={"If-Match": tag}).status_code == 412
    )
