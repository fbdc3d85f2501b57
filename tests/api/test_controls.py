"""Control of the laboratory's devices over HTTP, and the warning on tests after a shift."""

from datetime import date, timedelta

import pytest

START = date(2026, 1, 5)
#: Mean 2000, one SD 25.
STEADY = [2014.1, 1985.9] * 5


def day(week):
    return START + timedelta(days=7 * week)


class Control:
    """Takes measurements of a known person on one analyser."""

    def __init__(self, client, laboratory):
        self.client, self.laboratory = client, laboratory
        self.subject = laboratory.subject()["id"]

    def rows(self, values, first_week=0, **fields):
        return [
            {
                "subject_id": self.subject,
                "taken_at": f"{day(first_week + i)}T08:00:00+01:00",
                "device": "analyser A",
                "mode": "cycle",
                "work_rate_w": 100.0,
                "quantity": "vo2_ml_min",
                "value": value,
            }
            | fields
            for i, value in enumerate(values)
        ]

    def take(self, values, first_week=0, **fields):
        answer = self.client.post("/v1/controls/measurements", json=self.rows(values, first_week, **fields))
        assert answer.status_code == 201, answer.text
        return answer.json()["items"]

    def charts(self, **query):
        answer = self.client.get("/v1/controls/charts", params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()["items"]

    def test_on(self, week, **fields):
        subject = self.laboratory.subject()
        visit = self.laboratory.visit(subject["id"], started_at=f"{day(week)}T09:30:00+01:00")
        return subject["id"], self.laboratory.complete(visit["id"], **{"analyser": "analyser A", **fields})


@pytest.fixture
def control(client, laboratory):
    return Control(client, laboratory)


def shift_findings(analysis):
    return [one for one in analysis["findings"] if one["code"] == "device_shift"]


def test_a_chart_for_each_series(control):
    control.take(STEADY)
    control.take([52.0, 50.5, 51.0], quantity="ve_l_min")
    control.take([2750.0], work_rate_w=150.0)
    charts = control.charts()
    assert [(one["quantity"], one["work_rate_w"], one["n"]) for one in charts] == [
        ("ve_l_min", 100.0, 3),
        ("vo2_ml_min", 100.0, 10),
        ("vo2_ml_min", 150.0, 1),
    ]
    (chart,) = control.charts(quantity="vo2_ml_min", work_rate_w=100)
    assert (chart["lower_limit"], chart["mean"], chart["upper_limit"]) == pytest.approx((1925, 2000, 2075))
    assert (chart["published_low"], chart["published_high"]) == pytest.approx((1900, 2100))
    assert chart["in_control"] is True
    assert chart["key"].startswith("biological/analyser A/")
    assert charts[0]["reason"] == "Limits need at least 5 measurements in the baseline; there are 3."
    assert control.charts(device="analyser B") == []


def test_measurements_are_stored_all_or_none(control, client):
    rows = control.rows([2000.0, 2010.0])
    refused = client.post("/v1/controls/measurements", json=[rows[0], rows[1] | {"subject_id": "nobody"}])
    assert refused.status_code == 422
    assert refused.json()["errors"] == [
        {"location": "body.1.subject_id", "message": "names no subject", "value": "nobody"}
    ]
    assert client.get("/v1/controls/measurements").json()["items"] == []
    made = control.take([2000.0, 2010.0])
    listed = client.get("/v1/controls/measurements", params={"limit": 1}).json()
    assert listed["items"] == made[:1]
    more = client.get("/v1/controls/measurements", params={"limit": 1, "cursor": listed["next"]}).json()
    assert more["items"] == made[1:]
    assert made[0]["taken_at"] == "2026-01-05T08:00:00+01:00"
    assert client.delete(f"/v1/controls/measurements/{made[0]['id']}").status_code == 204
    assert client.delete(f"/v1/controls/measurements/{made[0]['id']}").status_code == 404
    assert client.get("/v1/controls/measurements").json()["items"] == made[1:]
    kinds = [(one["kind"], one["action"]) for one in client.get("/v1/changes").json()["items"]]
    assert kinds.count(("control", "created")) == 2
    assert kinds.count(("control", "deleted")) == 1


def test_a_person_with_control_measurements_is_not_deleted_by_the_way(control, client):
    control.take([2000.0])
    refused = client.delete(f"/v1/subjects/{control.subject}")
    assert refused.status_code == 409
    assert refused.json()["holds"]["control_measurements"] == 1


@pytest.mark.parametrize(
    ("change", "location"),
    [
        ({"quantity": "vo2_peak_ml_min"}, "body.0"),
        ({"value": 20.0}, "body.0"),
        ({"value": "2000"}, "body.0.value"),
        ({"taken_at": "2026-01-05"}, "body.0.taken_at"),
        ({"work_rate_w": -5.0}, "body.0.work_rate_w"),
        ({"mode": "swim"}, "body.0.mode"),
        ({"lab": "x"}, "body.0.lab"),
    ],
)
def test_what_is_no_control_measurement(change, location, control, client):
    refused = client.post("/v1/controls/measurements", json=control.rows([2000.0], **change))
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["location"] == location


def test_a_test_after_a_shift_carries_a_warning(control, client):
    subject, test = control.test_on(13)
    _, before = control.test_on(9)
    _, elsewhere = control.test_on(13, analyser="analyser B")
    quiet = control.laboratory.analysis(test["id"])
    address = f"/v1/tests/{test['id']}/analysis"
    tag = client.get(address).headers["etag"]
    control.take([*STEADY, 2010.0, 1990.0, 2120.0])
    # The control changes the answer although nothing of this person was written.
    assert client.get(address, headers={"If-None-Match": tag}).status_code == 200
    (warning,) = shift_findings(control.laboratory.analysis(test["id"]))
    assert warning["severity"] == "warning"
    assert "Oxygen uptake of a known person, cycle at 100 W: analyser A" in warning["message"]
    assert "signalled on 2026-03-30" in warning["message"]
    assert "last measurement in control was on 2026-03-23" in warning["message"]
    assert "event of the device" in warning["what_to_do"]
    assert shift_findings(control.laboratory.analysis(before["id"])) == []
    assert shift_findings(control.laboratory.analysis(elsewhere["id"])) == []
    point = control.laboratory.trend(subject)["series"][0]["points"][0]
    assert [note for note in point["notes"] if "shows a shift" in note] == [warning["message"]]
    # What is stored is as it was: the warning is told on reading.
    told = control.laboratory.analysis(test["id"])
    assert told | {"findings": quiet["findings"]} == quiet
    # Three measurements in a row without a signal end it, for tests from then on.
    control.take([2005.0, 1995.0, 2001.0], first_week=14)
    assert len(shift_findings(control.laboratory.analysis(test["id"]))) == 1
    _, later = control.test_on(17)
    assert shift_findings(control.laboratory.analysis(later["id"])) == []


def test_an_event_of_the_device_ends_a_shift(control, client):
    control.take([*STEADY, 2010.0, 1990.0, 2120.0])
    _, test = control.test_on(14)
    address = f"/v1/tests/{test['id']}/analysis"
    answer = client.get(address)
    assert len(shift_findings(answer.json())) == 1
    event = {"kind": "device_service", "title": "sample line changed", "started_on": str(day(13))}
    other = client.post("/v1/events", json=event | {"device": "analyser B"})
    assert other.status_code == 201, other.text
    assert len(shift_findings(client.get(address).json())) == 1
    assert client.post("/v1/events", json=event | {"device": "analyser A"}).status_code == 201
    # The old tag no longer stands for the answer.
    now = client.get(address, headers={"If-None-Match": answer.headers["etag"]})
    assert now.status_code == 200
    assert shift_findings(now.json()) == []
    (chart,) = control.charts()
    assert chart["events"] == [str(day(13))]
    assert (chart["shifts"][0]["ended_on"], chart["shifts"][0]["ended_by"]) == (str(day(13)), "event")


def test_a_change_across_a_shift_says_so(control):
    subject, _ = control.test_on(5)
    visit = control.laboratory.visit(subject, started_at=f"{day(13)}T09:30:00+01:00")
    control.laboratory.complete(visit["id"], analyser="analyser A")
    control.take([*STEADY, 2010.0, 1990.0, 2120.0])
    change = control.laboratory.trend(subject)["series"][0]["points"][1]["change_from_first"]
    assert (
        "One of the two tests came after a control chart had signalled a shift of its device."
        in change["notes"]
    )


def test_a_stated_baseline_is_kept_for_a_device(control, client):
    control.take([*STEADY, *(value + 300 for value in STEADY)])
    assert control.charts()[0]["in_control"] is False
    _, test = control.test_on(19)
    assert len(shift_findings(control.laboratory.analysis(test["id"]))) == 1
    stated = [{"device": "analyser A", "from_date": str(day(10)), "to_date": None}]
    assert client.put("/v1/controls/baselines", json=stated).json()["items"] == stated
    assert client.get("/v1/controls/baselines").json()["items"] == stated
    chart = control.charts()[0]
    assert (chart["mean"], chart["baseline_from"], chart["in_control"]) == (
        pytest.approx(2300.0),
        str(day(10)),
        True,
    )
    assert shift_findings(control.laboratory.analysis(test["id"])) == []
    # For one look another one may be asked for.
    assert control.charts(baseline_count=8)[0]["n_baseline"] == 8
    assert control.charts(baseline_from=str(day(0)), baseline_to=str(day(6)))[0]["n_baseline"] == 7
    twice = client.put("/v1/controls/baselines", json=stated * 2)
    assert twice.json()["errors"][0]["location"] == "body.1.device"
    assert client.put("/v1/controls/baselines", json=[]).json()["items"] == []


@pytest.mark.parametrize(
    ("query", "location"),
    [
        ({"baseline_count": 4}, "query.baseline_count"),
        ({"baseline_from": "2026-02-30"}, "query.baseline_from"),
        ({"baseline_from": "2026-03-01", "baseline_to": "2026-02-01"}, "query.baseline_to"),
        ({"baseline_count": 8, "baseline_to": "2026-02-01"}, "query.baseline_count"),
        ({"person": "x"}, "query.person"),
    ],
)
def test_what_cannot_be_asked_of_charts(query, location, client):
    for address in ("/v1/controls/charts", "/v1/controls/calibrations"):
        refused = client.get(address, params=query)
        assert refused.status_code == 422
        assert refused.json()["errors"][0]["location"] == location


def test_pictures_need_one_chart(control, client):
    assert client.get("/v1/controls/charts", params={"format": "svg"}).status_code == 404
    control.take(STEADY)
    control.take([52.0, 50.5, 51.0], quantity="ve_l_min")
    several = client.get("/v1/controls/charts", params={"format": "svg"})
    assert several.status_code == 422
    assert "ve_l_min" in several.json()["detail"]
    key = control.charts(quantity="vo2_ml_min")[0]["key"]
    svg = client.get("/v1/controls/charts", params={"key": key, "format": "svg"})
    assert svg.headers["content-type"] == "image/svg+xml"
    assert "In control" in svg.text
    png = client.get("/v1/controls/charts", params={"key": key}, headers={"Accept": "image/png"})
    assert png.content.startswith(b"\x89PNG")
    vega = client.get("/v1/controls/charts", params={"key": key, "format": "vega"}).json()
    assert vega["$schema"].endswith("v6.json")
    assert client.get("/v1/controls/charts", params={"key": "another"}).status_code == 404


def calibrate(client, test_id, volume, gas=None):
    rows = [{"when": "before", "kind": "volume", "expected": 3.0, "measured": volume, "unit": "L"}]
    if gas is not None:
        rows.append({"when": "after", "kind": "gas", "expected": 16.02, "measured": gas, "unit": "%"})
        rows.append(
            {"when": "after", "kind": "gas", "expected": 0.0503, "measured": 0.05, "unit": "fraction"}
        )
    assert client.put(f"/v1/tests/{test_id}/calibrations", json=rows).status_code == 200


def test_calibration_checks_are_charted_and_warn(control, client):
    _, test = control.test_on(9, ergometer="bike 1")
    address = f"/v1/tests/{test['id']}/analysis"
    tag = client.get(address).headers["etag"]
    subject = control.laboratory.subject()["id"]
    volumes = [2.995, 3.005, 3.0, 2.99, 3.005, 2.995, 3.01, 3.15]
    tests = []
    for week, volume in enumerate(volumes):
        visit = control.laboratory.visit(subject, started_at=f"{day(week)}T07:00:00+01:00")
        made = control.laboratory.planned(visit["id"], mode="cycle", analyser="analyser A")
        calibrate(client, made["id"], volume, gas=16.05 if week == 0 else None)
        tests.append(made["id"])
    answer = client.get("/v1/controls/calibrations", params={"device": "analyser A", "baseline_count": 7})
    charts = {(one["sensor"], one["when"], one["expected"]): one for one in answer.json()["items"]}
    assert set(charts) == {("volume", "before", 3.0), ("O2", "after", 16.0), ("CO2", "after", 5.0)}
    chart = charts["volume", "before", 3.0]
    assert [point["value"] for point in chart["points"]] == pytest.approx(
        [100 * (one / 3.0 - 1) for one in volumes]
    )
    assert chart["shifts"][0]["signal_on"] == str(day(7))
    assert chart["published_low"] is None
    assert charts["O2", "after", 16.0]["points"][0]["value"] == pytest.approx(0.03)
    assert len(client.get("/v1/controls/calibrations", params={"kind": "gas"}).json()["items"]) == 2
    # By default ten measurements make the baseline, so that nothing is said yet; a stated one says it.
    assert shift_findings(client.get(address, headers={"If-None-Match": tag}).json()) == []
    stated = [{"device": "analyser A", "from_date": str(day(0)), "to_date": str(day(6))}]
    client.put("/v1/controls/baselines", json=stated)
    (warning,) = shift_findings(control.laboratory.analysis(test["id"]))
    assert "Calibration check before the test, 3 L: analyser A" in warning["message"]
    # Out of control by the chart, but near enough to what was expected: no warning on the test.
    calibrate(client, tests[-1], 3.04)
    assert control.client.get("/v1/controls/calibrations", params={"kind": "volume"}).json()["items"][0][
        "shifts"
    ]
    assert shift_findings(client.get(address, headers={"If-None-Match": tag}).json()) == []
    calibrate(client, tests[-1], 3.15)
    assert len(shift_findings(control.laboratory.analysis(test["id"]))) == 1
    # A void test's readings are no readings.
    tag = client.get(address).headers["etag"]
    assert client.patch(f"/v1/tests/{tests[-1]}", json={"status": "void"}).status_code == 200
    answer = client.get(address, headers={"If-None-Match": tag})
    assert answer.status_code == 200
    assert shift_findings(answer.json()) == []


def test_a_limited_key_sees_the_warning_and_not_the_control(
    control, client, store, make_key, open_client, laboratory
):
    subject, test = control.test_on(13)
    control.take([*STEADY, 2010.0, 1990.0, 2120.0])
    code = client.get(f"/v1/subjects/{subject}").json()["code"]
    limited = open_client(store, make_key(store, "limited", "reader", subject_codes=[code]))
    answer = limited.get(f"/v1/tests/{test['id']}/analysis").json()
    (warning,) = shift_findings(answer)
    assert control.subject not in warning["message"]
    assert limited.get("/v1/controls/charts").status_code == 403
