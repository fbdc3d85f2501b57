"""Reports over HTTP: what they say, whom they name, when they change, and what a signature freezes.

What the record's report has to contain is what published guidance on reporting an exercise test lists (ATS/ACCP statement
on cardiopulmonary exercise testing, 2003, and the AHA clinician's guide, 2010; lists from memory), in this project's words.
"""

import io
import re
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

NAMES = {"given_name": "Wilhelmina", "family_name": "Testperson"}
VISIT = {
    "site": "Room 4",
    "tester": "B. Tester",
    "resting_heart_rate_bpm": 58,
    "resting_systolic_mmhg": 122,
    "resting_diastolic_mmhg": 78,
    "resting_spo2_percent": 98,
    "barometric_pressure_mmhg": 751.5,
    "temperature_c": 21.5,
    "relative_humidity_percent": 44,
    "altitude_m": 35,
    "mvv_l_min": 170,
    "fev1_l": 4.1,
    "history": "Knee operated in 2019; runs twice a week.",
    "medications": [
        {
            "name": "inhaler",
            "dose": "2 puffs",
            "taken_at": "2026-03-14T07:05:00+01:00",
            "limits_heart_rate": False,
        }
    ],
}
TEST = {
    "reason_for_test": "Wants training ranges before a long race.",
    "ergometer": "treadmill A",
    "analyser": "analyser 2",
    "interface": "mask",
    "protocol_id": "bruce",
    "stop_note": "calves burned",
    "recovery_active": True,
    "recovery_posture": "upright",
    "ecg_recorded": True,
    "ecg_read_by": "the physician of the day",
    "ecg_reading": "as the reader wrote it",
}
CALIBRATIONS = [
    {
        "when": "before",
        "kind": "volume",
        "expected": 3.0,
        "measured": 3.01,
        "unit": "L",
        "device": "syringe 1",
    }
]
NOTES = [
    {"phase": "exercise", "stage": 1, "time_s": 295, "rpe": 11, "rpe_scale": "6-20", "systolic_mmhg": 148, "diastolic_mmhg": 80},
    {"phase": "exercise", "stage": 6, "time_s": 895, "rpe": 19, "rpe_scale": "6-20", "rpe_legs": 18, "systolic_mmhg": 196,
     "diastolic_mmhg": 84, "spo2_percent": 95, "symptoms": "burning calves"},
    {"phase": "recovery", "time_s": 1020, "systolic_mmhg": 160, "diastolic_mmhg": 78},
]  # fmt: skip
#: Everything the record's report has to contain: its label, and what is printed where it is recorded.
ITEMS = [
    ("Reason for test", "Wants training ranges"),
    ("History", "Knee operated in 2019"),
    ("Medication", "inhaler, 2 puffs, last dose 2026-03-14 07:05"),
    ("Protocol", "Bruce"),
    ("Ergometer", "treadmill A"),
    ("Gas analyser", "analyser 2"),
    ("Interface", "mask"),
    ("Barometric pressure", "751.5 mmHg"),
    ("Room temperature", "21.5 °C"),
    ("Relative humidity", "44 %"),
    ("Duration of exercise", "12:00 min"),
    ("Peak load", "14.0 km/h"),
    ("Reason for stopping", "exhaustion"),
    ("Symptoms", "Exercise, stage 6, 14:55 min: burning calves"),
    ("Rating at the end", "overall 19 (6-20); legs 18 (6-20)"),
    ("Resting heart rate", "58 beats/min"),
    ("Highest heart rate", "beats/min"),
    ("Heart-rate reserve", "beats/min"),
    ("Blood pressure at rest", "122/78 mmHg"),
    ("Highest in exercise", "196/84 mmHg"),
    ("In recovery", "160/78 mmHg"),
    ("O2 pulse at the peak", "mL/beat"),
    ("Highest ventilation", "L/min"),
    ("Breathing reserve", "%"),
    ("Respiratory rate at the peak", "40 /min"),
    ("Tidal volume at the peak", "2.50 L"),
    ("VE/VCO2 slope, whole", ""),
    ("End-tidal CO2 at the peak", "38 mmHg"),
    ("SpO2 at rest", "98 %"),
    ("SpO2, lowest in exercise", "95 %"),
    ("Heart-rate recovery, 60 s", "beats/min"),
    ("Recorded", "yes"),
    ("Read by", "the physician of the day"),
    ("Reading", "as the reader wrote it"),
]
#: Parts that are there whatever is recorded.
PARTS = (
    "Effort, and what it rests on",
    "Peak oxygen uptake",
    "Percent predicted",
    "Thresholds",
    "Rest, stages, peak and recovery",
    "Quality remarks",
    "Comparison with earlier tests",
    "Conclusion",
    "Method and sources",
    "This is not a diagnosis",
)


@pytest.fixture
def whole(client, laboratory, rows) -> dict[str, Any]:
    """A test of which everything is recorded."""
    subject = laboratory.subject(**NAMES)
    visit = laboratory.visit(subject["id"], **VISIT)
    measured = [
        row | {"respiratory_rate_per_min": 40.0, "tidal_volume_l": 2.5, "petco2_mmhg": 38.0} for row in rows()
    ]
    test = laboratory.complete(visit["id"], measured, **TEST)
    for part, body in (("calibrations", CALIBRATIONS), ("stage-notes", NOTES)):
        assert client.put(f"/v1/tests/{test['id']}/{part}", json=body).status_code == 200
    return {"subject": subject["id"], "visit": visit["id"], "test": test["id"]}


@pytest.fixture
def bare(laboratory) -> str:
    """A test of which nothing is recorded but its intervals."""
    subject = laboratory.subject(sex=None, birth_date=None)
    visit = laboratory.visit(subject["id"], body_mass_kg=None, height_cm=None)
    return laboratory.complete(visit["id"], stop_reason=None)["id"]


def printed(client: Any, address: str, **query: Any) -> str:
    """The text of a report as it is printed, on one line."""
    answer = client.get(address, params=query)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/pdf"
    text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(answer.content)).pages)
    return re.sub(r"\s+", " ", re.sub("[\N{ZERO WIDTH SPACE}\N{WORD JOINER}]", "", text))


def pages(client: Any, address: str, **query: Any) -> int:
    return len(PdfReader(io.BytesIO(client.get(address, params=query).content)).pages)


def test_the_record_says_everything_that_is_recorded(client, whole):
    text = printed(client, f"/v1/tests/{whole['test']}/report", audience="record")
    for label, value in ITEMS:
        assert re.search(
            rf"{re.escape(label)} {re.escape(value)}|{re.escape(label)} \S+ ?{re.escape(value)}", text
        ), label
    for part in PARTS:
        assert part in text, part
    for row in ("Stage 1, to 5:00 min", "148/80", "Stage 6, to 15:00 min", "160/78"):
        assert row in text
    for label in (
        "Perceived exertion 19 on 6-20",
        "Verifies test none",
        "absolute 3,6",
        "relative 48.",
        "% of predicted for body size by Predicted VO2max",
    ):
        assert label in text, label
    # Tables, equations and methods are called by name, and not by the id that programs use.
    assert not re.findall(r"\b(?:predicted_vo2\w*|[a-z]+_20\d\d_\w+|ve_vco2\w*|v_slope)", text)


def test_the_record_says_what_is_not_recorded(client, bare):
    text = printed(client, f"/v1/tests/{bare}/report", audience="record")
    never_missing = {"Duration of exercise", "Peak load", "Highest heart rate", "Highest ventilation", "O2 pulse at the peak",
                     "VE/VCO2 slope, whole", "Heart-rate recovery, 60 s"}  # fmt: skip
    for label, _ in ITEMS:
        if label not in never_missing:
            assert f"{label} not recorded" in text, label
    for label in ("Calibration", "Name", "Born", "Body mass", "Sex", "Age"):
        assert f"{label} not recorded" in text, label
    assert "Percent predicted none" in text
    assert "Conclusion: not recorded. Name, credentials and date: not recorded." in text
    for part in PARTS:
        assert part in text, part


def test_ranges_of_uptake_alone_are_told_in_mets(client, laboratory):
    """Without a heart rate at rest and a threshold there is no range by heart rate or load."""
    visit = laboratory.visit(laboratory.subject()["id"])
    example = Path(__file__).parents[2] / "seed_data" / "examples" / "cycle-step-15s.csv"
    answer = laboratory.upload(
        visit["id"], example.read_bytes(), {"mode": "cycle", "stop_reason": "exhaustion"}
    )
    test = answer.json()["test_id"]
    ranges = laboratory.analysis(test)["training_ranges"]
    assert {one["basis"] for one in ranges} == {"vo2_reserve"}
    text = printed(client, f"/v1/tests/{test}/report", audience="client")
    assert "Range METs" in text
    for one in ranges:
        assert f"{one['name']} {one['mets_low']:.1f}\N{EN DASH}{one['mets_high']:.1f}" in text
    assert "1 MET is uptake at rest by convention" in text


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_client_gets_one_page(client, laboratory, whole, paper):
    address = f"/v1/tests/{whole['test']}/report"
    long = {"given_name": "W" * 200, "family_name": "Longname " * 22 + "x"}
    assert client.patch(f"/v1/subjects/{whole['subject']}", json=long).status_code == 200
    told = {"site": "W" * 200, "tester": "Long " * 39 + "x", "notes": "note " * 2_000}
    assert client.patch(f"/v1/visits/{whole['visit']}", json=told).status_code == 200
    conclusion = {
        "text": "W" * 10_000,
        "author": "A" * 200,
        "credentials": "C" * 200,
        "signed_at": "2026-03-15T09:00:00Z",
    }
    assert client.put(f"/v1/tests/{whole['test']}/conclusion", json=conclusion).status_code == 200
    later = laboratory.visit(whole["subject"], started_at="2026-06-14T09:30:00+02:00", **told)
    again = laboratory.complete(later["id"], **TEST)["id"]
    for test in (whole["test"], again):
        assert pages(client, f"/v1/tests/{test}/report", paper=paper) == 1
    text = printed(client, address, paper=paper)
    assert "the whole text stands in the record" in text
    assert "10,000" not in text
    assert pages(client, address, paper=paper, audience="record") > 4


def test_the_client_is_told_in_plain_words(client, laboratory, whole, rows):
    later = laboratory.visit(
        whole["subject"], started_at="2026-06-14T09:30:00+02:00", resting_heart_rate_bpm=58
    )
    test = laboratory.complete(later["id"], rows(4500.0), protocol_id="bruce")["id"]
    text = printed(client, f"/v1/tests/{test}/report")
    for words in (
        "Your exercise test",
        "above March 2026. That is more than chance",
        "You were tested on the treadmill, protocol Bruce",
        "You stopped when you could not go on.",
        "percentile",
        "Since March 2026: +",
        "95 % interval",
        "vigorous",
        "differ by chance by about 14 %",
        "Stop, and get medical help",
        "This is not a diagnosis",
    ):
        assert words in text, words
    # The earlier test is not told of what came after it.
    first = printed(client, f"/v1/tests/{whole['test']}/report")
    assert "This is the first test of its kind" in first
    assert "June" not in first


def test_a_field_test_a_reported_one_and_one_that_is_only_planned(client, laboratory):
    visit = laboratory.visit(laboratory.subject()["id"])
    inputs = {"method": "cooper_12_min", "distance_m": 2800}
    field = laboratory.planned(visit["id"], mode="run", shape="field", field_inputs=inputs)["id"]
    assert "is an estimate" in printed(client, f"/v1/tests/{field}/report")
    assert "Estimate by" in printed(client, f"/v1/tests/{field}/report", audience="record")
    planned = laboratory.planned(visit["id"])["id"]
    assert "The test is planned" in printed(client, f"/v1/tests/{planned}/report", audience="record")
    assert "The test is not complete" in printed(client, f"/v1/tests/{planned}/report")
    results = [{"quantity": "vo2_peak_ml_kg_min", "value": 41.5, "source": "a letter of 2019"}]
    client.put(f"/v1/tests/{planned}/reported-results", json=results)
    assert "measured elsewhere" in printed(client, f"/v1/tests/{planned}/report")
    assert "source: a letter of 2019" in printed(client, f"/v1/tests/{planned}/report", audience="record")


def test_a_void_test_has_no_report(client, whole):
    client.patch(f"/v1/tests/{whole['test']}", json={"status": "void"})
    answer = client.get(f"/v1/tests/{whole['test']}/report")
    assert answer.status_code == 409
    assert "void" in answer.json()["detail"]


def test_a_signed_test_is_reported_as_it_was_signed(client, whole):
    address, about = f"/v1/tests/{whole['test']}", {"audience": "record"}
    before = client.get(f"{address}/analysis").json()["peak"]["vo2_ml_kg_min"]
    draft = {"text": "A first thought.", "author": "A. Author"}
    client.put(f"{address}/conclusion", json=draft)
    text = printed(client, f"{address}/report", **about)
    assert "Draft by A. Author, credentials not recorded, not signed." in text
    assert "frozen" not in text
    signed = {
        "text": "Fit for the plan.",
        "author": "A. Author",
        "credentials": "MSc",
        "signed_at": "2026-03-15T09:00:00Z",
    }
    client.put(f"{address}/conclusion", json=signed)
    client.patch(f"/v1/visits/{whole['visit']}", json={"body_mass_kg": 90})
    after = client.get(f"{address}/analysis").json()["peak"]["vo2_ml_kg_min"]
    assert after < before - 5
    text = printed(client, f"{address}/report", **about)
    for words in (
        "Made from the analysis that was frozen when the conclusion was signed by A. Author on 2026-03-15 09:00 UTC",
        f"relative {before:.1f} mL/kg/min",
        "The analysis has changed since this conclusion was signed.",
        "Fit for the plan. Signed by A. Author, MSc, on 2026-03-15 09:00 UTC (version 1).",
    ):
        assert words in text, words
    assert f"relative {after:.1f}" not in text
    amended = {"text": "The mass was wrong.", "author": "B. Author", "signed_at": "2026-03-16T09:00:00Z"}
    client.put(f"{address}/conclusion", json=amended)
    text = printed(client, f"{address}/report", **about)
    assert f"relative {after:.1f}" in text
    assert (
        text.index("The mass was wrong.")
        < text.index("It amends version 1.")
        < text.index("Fit for the plan.")
    )


def test_names_are_for_keys_that_may_see_them(store, make_key, open_client, reader, client, whole):
    seeing = open_client(store, make_key(store, "sees names", "reader", identity=True))
    for address in (f"/v1/tests/{whole['test']}/report", f"/v1/subjects/{whole['subject']}/report"):
        for audience in ("client", "record"):
            for form in ("pdf", "html") if audience == "record" else ("html",):
                texts = [
                    printed(who, address, audience=audience)
                    if form == "pdf"
                    else who.get(address, params={"audience": audience, "format": form}).text
                    for who in (seeing, reader)
                ]
                assert "Testperson" in texts[0]
                assert "Testperson" not in texts[1]
                assert "1990" not in texts[1]
    record = printed(reader, f"/v1/tests/{whole['test']}/report", audience="record")
    assert "Name not shown to this key" in record
    assert "Born not shown to this key" in record


def test_forms_and_papers_that_are_asked_for(client, whole):
    address = f"/v1/tests/{whole['test']}/report"
    browser = "text/html,application/xhtml+xml;q=0.9,*/*;q=0.8"
    assert client.get(address, headers={"Accept": browser}).headers["content-type"].startswith("text/html")
    page = client.get(address, params={"format": "html", "paper": "letter"})
    assert 'class="letter"' in page.text
    policy = page.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src" not in policy
    answer = client.get(address, params={"paper": "letter"})
    assert answer.headers["content-disposition"] == 'inline; filename="report.pdf"'
    page = PdfReader(io.BytesIO(answer.content)).pages[0]
    assert (float(page.mediabox.width), float(page.mediabox.height)) == (612, 792)
    for wrong in ({"paper": "a5"}, {"audience": "family"}, {"format": "docx"}, {"language": "en"}):
        assert client.get(address, params=wrong).status_code == 422
    assert client.get(address, headers={"Accept": "application/json"}).status_code == 406


@pytest.mark.parametrize("which", ["test", "subject"])
def test_what_a_client_has_is_not_made_again(client, whole, which, monkeypatch):
    from service.reports import workflow

    address = f"/v1/{which}s/{whole[which]}/report"
    first = client.get(address, params={"audience": "record"})
    tag = {"If-None-Match": first.headers["etag"]}
    assert client.get(address, params={"audience": "record"}).content == first.content

    def never(*_: Any, **__: Any) -> None:
        raise AssertionError("computed")

    with monkeypatch.context() as patched:
        patched.setattr(workflow, "report_of_test", never)
        patched.setattr(workflow, "report_of_history", never)
        answer = client.get(address, params={"audience": "record"}, headers=tag)
    assert (answer.status_code, answer.content) == (304, b"")
    assert client.get(address, params={"audience": "client"}, headers=tag).status_code == 200
    client.patch(f"/v1/subjects/{whole['subject']}", json={"notes": "new"})
    assert client.get(address, params={"audience": "record"}, headers=tag).status_code == 200


def test_a_report_bears_its_day_and_its_tag_does_too(client, whole, monkeypatch):
    from datetime import UTC, datetime

    from service.reports import workflow

    address = f"/v1/tests/{whole['test']}/report"
    tags, told = [], []
    # The visit was at +01:00: late in the evening of UTC it is the next day there.
    for at in (datetime(2026, 3, 20, 22, 30, tzinfo=UTC), datetime(2026, 3, 20, 23, 30, tzinfo=UTC)):
        monkeypatch.setattr(workflow, "now", lambda at=at: at)
        tags.append(client.get(address).headers["etag"])
        told.append(re.findall(r"printed (\S+)", printed(client, address)))
    assert told == [["2026-03-20"], ["2026-03-21"]]
    assert len(set(tags)) == 2


def test_the_history_of_a_person(client, laboratory, whole, rows):
    later = laboratory.visit(whole["subject"], started_at="2026-06-14T09:30:00+02:00")
    laboratory.complete(later["id"], rows(4500.0), protocol_id="bruce")
    client.put(f"/v1/visits/{later['id']}/measurements", json=[{"quantity": "grip_strength_kg", "value": 44}])
    address = f"/v1/subjects/{whole['subject']}/report"
    text = printed(client, address)
    for words in ("Your exercise tests", "2 tests, 2026-03-14 to 2026-06-14", "more than chance", "Grip strength 44.0 kg",
                  "Wilhelmina Testperson", "2026-06-14 60.", "no earlier test to compare with"):  # fmt: skip
        assert words in text, words
    record = printed(client, address, audience="record")
    for words in (
        "Every test",
        "Typical error of one test 5 %",
        "Slope +",
        "Body mass",
        "maximal by secondary criteria",
    ):
        assert words in record, words
    page = client.get(address, params={"format": "html"}).text
    assert page.count("<figure>") == 1
    assert "Grip strength" in page


def test_somebody_without_a_test(client, laboratory):
    subject = laboratory.subject()["id"]
    for audience in ("client", "record"):
        text = printed(client, f"/v1/subjects/{subject}/report", audience=audience)
        assert "No test yet" in text
        assert "No test has given a peak oxygen uptake yet." in text


def test_numbers_are_written_as_the_site_writes_them(make_store, make_key, open_client, laboratory_of):
    store = make_store(locale="de-DE", display_units="us")
    client = open_client(store, make_key(store, "tester", "tester"))
    laboratory = laboratory_of(client)
    visit = laboratory.visit(laboratory.subject()["id"])
    test = laboratory.complete(visit["id"])["id"]
    text = printed(client, f"/v1/tests/{test}/report", audience="record")
    (page, *_) = PdfReader(io.BytesIO(client.get(f"/v1/tests/{test}/report").content)).pages
    assert float(page.mediabox.height) == 792  # Letter, where nothing was asked for
    assert "Body mass 165,3 lb" in text
    assert "14.3.2026" in text or "14.03.2026" in text


def test_a_bout_that_verifies_says_so_and_leaves_the_rest_to_its_test(client, laboratory, whole):
    bout = laboratory.complete(whole["visit"], purpose="verification", verifies_test_id=whole["test"])["id"]
    text = printed(client, f"/v1/tests/{bout}/report")
    assert "This bout was done to see whether the test before it had reached your limit." in text
    assert text.count("The report of the test that this bout belongs to says that.") == 3
    assert f"Verifies test {whole['test']}" in printed(client, f"/v1/tests/{bout}/report", audience="record")


def test_no_name_of_a_formula_reaches_the_client(client, laboratory):
    """The maximum is predicted: a field test has no heart rate at its end."""
    visit = laboratory.visit(laboratory.subject()["id"], resting_heart_rate_bpm=60)
    inputs = {"method": "cooper_12_min", "distance_m": 2800}
    test = laboratory.planned(visit["id"], mode="run", shape="field", field_inputs=inputs)["id"]
    text = printed(client, f"/v1/tests/{test}/report")
    assert "predicted maximum" in text
    assert not re.search(r"[a-z]_[a-z]", text)


def test_settings_are_printed_in_words(client, whole):
    text = printed(client, f"/v1/tests/{whole['test']}/report", audience="record")
    told = text.partition("Settings: ")[2].partition(". ")[0]
    assert told.startswith(
        "How the peak is averaged: time weighted; Window of the peak (s): 30; Rule set of effort: Common"
    )
    assert "Prediction of maximal heart rate: " in told
    assert "Single breaths out of line: beyond 4 SD of those around" in told
    assert "by default" not in told
