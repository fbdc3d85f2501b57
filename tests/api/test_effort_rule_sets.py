"""Rule sets of effort of a site's own, and who chooses which."""

from typing import Any

import pytest

from service.upkeep.workflow import reanalyse_tests, run_checks

#: Invented: two criteria that hardly anybody meets.
STRICT: dict[str, Any] = {
    "id": "strict",
    "name": "Strict",
    "source": "the laboratory, after edvardsen_2014 and someone_2031",
    "population": "trained adults",
    "criteria": [
        {
            "criterion": "respiratory_exchange_ratio",
            "counts": True,
            "source": "the laboratory",
            "thresholds": [{"threshold": 1.4}],
        },
        {
            "criterion": "blood_lactate",
            "counts": True,
            "source": "the laboratory",
            "thresholds": [{"threshold": 12.0, "sex": "male"}, {"threshold": 10.0, "sex": "female"}],
        },
    ],
}


@pytest.fixture
def subject(laboratory):
    return laboratory.subject()


@pytest.fixture
def test(client, laboratory, subject):
    # By the default set the ratio and the rating show a maximal effort; a last stage of one rise shows no plateau.
    made = laboratory.complete(laboratory.visit(subject["id"])["id"])
    client.put(f"/v1/tests/{made['id']}/stage-notes", json=[{"stage": 6, "rpe": 19, "rpe_scale": "6-20"}])
    return made


@pytest.fixture
def strict(client):
    answer = client.post("/v1/effort-rule-sets", json=STRICT)
    assert answer.status_code == 201, answer.text
    return answer.json()


def cohort_of(client, name, rules, *members):
    made = client.post("/v1/cohorts", json={"name": name, "effort_rules": rules})
    assert made.status_code == 201, made.text
    cohort = made.json()
    rows = [one if isinstance(one, dict) else {"subject_id": one} for one in members]
    assert client.put(f"/v1/cohorts/{cohort['id']}/members", json=rows).status_code == 200
    return cohort


def anew(client, test, **settings):
    answer = client.post(f"/v1/tests/{test['id']}/analysis", json={"settings": settings})
    assert answer.status_code == 200, answer.text
    return answer.json()


def rules_of(document):
    effort = document["effort"]
    assert effort["rule_set"] == document["settings"]["effort_rules"]
    return effort["rule_set"], effort["rule_set_chosen_by"]


def codes(document):
    return [one["code"] for one in document["findings"]]


def test_built_in_and_own_sets_are_told_whole(client, reader, strict):
    listed = {one["id"]: one for one in reader.get("/v1/effort-rule-sets").json()["items"]}
    assert list(listed) == ["default", "wagner_2020_cycle", "strict"]
    assert [one["built_in"] for one in listed.values()] == [True, True, False]
    assert listed["strict"] == strict == reader.get("/v1/effort-rule-sets/strict").json()
    assert strict["criteria_needed"] == 2
    assert strict["criteria"][1]["thresholds"][0]["threshold"] == 12.0
    # A key of the bibliography is resolved, a text that only looks like one is left alone.
    assert len(strict["citations"]) == 1
    assert "Edvardsen" in strict["citations"][0]
    by_age = listed["wagner_2020_cycle"]["criteria"][0]["thresholds"]
    assert [(one["age_low_years"], one["threshold"]) for one in by_age] == [
        (20, 1.13),
        (40, 1.10),
        (60, 1.06),
    ]
    assert listed["wagner_2020_cycle"]["population"]
    assert reader.get("/v1/effort-rule-sets/no_such").status_code == 404


@pytest.mark.parametrize(
    ("changed", "place"),
    [
        ({"id": "Strict"}, "body.id"),
        ({"id": "x"}, "body.id"),
        ({"name": " "}, "body.name"),
        ({"more": 1}, "body.more"),
        ({"criteria": []}, "body.criteria"),
        ({"criteria_needed": 0}, "body.criteria_needed"),
        ({"criteria_needed": 3}, "body.criteria_needed"),
        ({"criteria": [STRICT["criteria"][0] | {"criterion": "sweat"}]}, "body.criteria.0.criterion"),
        ({"criteria": [STRICT["criteria"][0] | {"thresholds": []}]}, "body.criteria.0.thresholds"),
        ({"criteria": [STRICT["criteria"][0] | {"counts": 1}]}, "body.criteria.0.counts"),
        (
            {
                "criteria": [
                    STRICT["criteria"][0] | {"thresholds": [{"threshold": 9.0}]},
                    STRICT["criteria"][1],
                ]
            },
            "body.criteria.0.thresholds.0.threshold",
        ),
    ],
    ids=str,
)
def test_a_set_that_cannot_be_is_refused(client, changed, place):
    answer = client.post("/v1/effort-rule-sets", json=STRICT | changed)
    assert answer.status_code == 422, answer.text
    assert place in [one["location"] for one in answer.json()["errors"]]
    assert len(client.get("/v1/effort-rule-sets").json()["items"]) == 2


@pytest.mark.parametrize("taken", ["strict", "default"])
def test_a_set_is_never_changed(client, strict, taken):
    assert client.post("/v1/effort-rule-sets", json=STRICT | {"id": taken}).status_code == 409


def test_a_copy_of_the_default_set_judges_the_same(client, laboratory, test):
    default = client.get("/v1/effort-rule-sets/default").json()
    copy = {name: value for name, value in default.items() if name not in {"built_in", "citations"}}
    assert client.post("/v1/effort-rule-sets", json=copy | {"id": "copy"}).status_code == 201
    ours = laboratory.analysis(test["id"], effort_rules="copy")["effort"]
    theirs = laboratory.analysis(test["id"], effort_rules="default")["effort"]
    assert ours["criteria"] == theirs["criteria"]
    assert (ours["verdict"], ours["reason"]) == (theirs["verdict"], theirs["reason"])
    assert theirs["verdict"] == "secondary_criteria"


def test_request_before_cohort_before_site_before_default(admin, client, laboratory, subject, test, strict):
    assert rules_of(laboratory.analysis(test["id"])) == ("default", "default")
    # The site.
    admin.patch("/v1/site", json={"analysis": {"effort_rules": "wagner_2020_cycle"}})
    assert rules_of(anew(client, test)) == ("wagner_2020_cycle", "site")
    # A cohort before it.
    cohort_of(client, "study", "strict", subject["id"])
    document = anew(client, test)
    assert rules_of(document) == ("strict", "cohort")
    assert document["effort"]["verdict"] == "undetermined"
    assert document["effort"]["rule_set_source"] == STRICT["source"]
    assert document["effort"]["rule_set_name"] == "Strict"
    assert document == laboratory.analysis(test["id"]) | {"changed": document["changed"]}
    # A request before it, for one answer and for good.
    asked = laboratory.analysis(test["id"], effort_rules="default")
    assert rules_of(asked) == ("default", "request")
    assert asked["effort"]["verdict"] == "secondary_criteria"
    assert rules_of(laboratory.analysis(test["id"])) == ("strict", "cohort")
    assert rules_of(anew(client, test, effort_rules="default")) == ("default", "request")
    assert rules_of(anew(client, test)) == ("default", "request")
    assert rules_of(anew(client, test, effort_rules=None)) == ("strict", "cohort")


def test_a_new_test_of_a_member_is_judged_by_the_cohorts_set(client, laboratory, subject, strict):
    cohort_of(client, "study", "strict", subject["id"])
    made = laboratory.complete(laboratory.visit(subject["id"])["id"])
    assert rules_of(laboratory.analysis(made["id"])) == ("strict", "cohort")
    planned = laboratory.planned(laboratory.visit(subject["id"])["id"])
    assert rules_of(laboratory.analysis(planned["id"])) == ("strict", "cohort")


@pytest.mark.parametrize(
    ("dates", "rules"),
    [
        ({}, "strict"),
        ({"joined_on": "2026-03-14"}, "strict"),
        ({"joined_on": "2026-03-15"}, "default"),
        ({"left_on": "2026-03-14"}, "strict"),
        ({"left_on": "2026-03-13"}, "default"),
    ],
)
def test_only_a_cohort_of_that_day_decides(client, laboratory, subject, strict, dates, rules):
    cohort_of(client, "study", "strict", {"subject_id": subject["id"], **dates})
    made = laboratory.complete(laboratory.visit(subject["id"])["id"])
    assert rules_of(laboratory.analysis(made["id"]))[0] == rules


def test_cohorts_that_differ_decide_nothing_and_that_is_said(admin, client, laboratory, subject, strict):
    cohort_of(client, "first", "strict", subject["id"])
    second = cohort_of(client, "second", "wagner_2020_cycle", subject["id"])
    made = laboratory.complete(laboratory.visit(subject["id"])["id"])
    document = laboratory.analysis(made["id"])
    assert rules_of(document) == ("default", "default")
    (told,) = [one for one in document["findings"] if one["code"] == "cohorts_name_different_rules"]
    assert "'first': strict" in told["message"]
    assert "'second': wagner_2020_cycle" in told["message"]
    admin.patch("/v1/site", json={"analysis": {"effort_rules": "wagner_2020_cycle"}})
    assert rules_of(anew(client, made)) == ("wagner_2020_cycle", "site")
    assert "cohorts_name_different_rules" not in codes(anew(client, made, effort_rules="default"))
    anew(client, made, effort_rules=None)
    # Once they agree, the cohort decides and nothing is left to say.
    client.patch(f"/v1/cohorts/{second['id']}", json={"effort_rules": "strict"})
    document = anew(client, made)
    assert rules_of(document) == ("strict", "cohort")
    assert "cohorts_name_different_rules" not in codes(document)


@pytest.mark.parametrize("how", ["rules", "members"])
def test_a_change_of_a_cohort_leaves_stored_analyses_and_says_so(
    client, laboratory, subject, test, strict, store, how
):
    cohort = cohort_of(
        client, "study", None if how == "rules" else "strict", *[subject["id"]] * (how == "rules")
    )
    address = f"/v1/tests/{test['id']}/analysis"
    first = client.get(address)
    assert first.json()["settings_changed_since"] == []
    if how == "rules":
        told = client.patch(f"/v1/cohorts/{cohort['id']}", json={"effort_rules": "strict"})
        assert told.json()["effort_rules"] == "strict"
    else:
        client.put(f"/v1/cohorts/{cohort['id']}/members", json=[{"subject_id": subject["id"]}])
    again = client.get(address, headers={"If-None-Match": first.headers["ETag"]})
    assert again.status_code == 200
    assert again.json()["settings_changed_since"] == [
        {"setting": "effort_rules", "used": "default", "now": "strict", "chosen_by": "cohort"}
    ]
    assert again.json()["effort"] == first.json()["effort"]
    check = next(one for one in run_checks(store.settings) if one.name == "analyses")
    assert check.passed
    assert "1 with settings" in check.detail
    assert [one.test_id for one in reanalyse_tests(store, "test", everything=False)] == [test["id"]]
    assert rules_of(laboratory.analysis(test["id"])) == ("strict", "cohort")
    # Gone from the cohort, the same the other way.
    client.put(f"/v1/cohorts/{cohort['id']}/members", json=[])
    assert laboratory.analysis(test["id"])["settings_changed_since"][0]["now"] == "default"


def test_a_set_in_use_stays(admin, client, laboratory, subject, test, strict):
    address = "/v1/effort-rule-sets/strict"
    cohort = cohort_of(client, "study", "strict", subject["id"])
    anew(client, test)
    admin.patch("/v1/site", json={"analysis": {"effort_rules": "strict"}})
    refused = client.delete(address)
    assert refused.status_code == 409
    assert refused.json()["holds"] == {"analyses": 1, "cohorts": 1, "site": 1}
    admin.patch("/v1/site", json={"analysis": None})
    client.patch(f"/v1/cohorts/{cohort['id']}", json={"effort_rules": None})
    assert client.delete(address).json()["holds"] == {"analyses": 1, "cohorts": 0, "site": 0}
    anew(client, test)
    assert client.delete(address).status_code == 204
    assert client.get(address).status_code == 404
    assert client.delete("/v1/effort-rule-sets/default").status_code == 409
    kinds = [(one["kind"], one["action"]) for one in client.get("/v1/changes?limit=500").json()["items"]]
    assert [one for one in kinds if one[0] == "effort_rule_set"] == [
        ("effort_rule_set", "created"),
        ("effort_rule_set", "deleted"),
    ]


def test_a_set_that_there_is_not_is_refused_everywhere(admin, client, laboratory, subject, test):
    body = {"name": "study", "effort_rules": "no_such"}
    for answer, place in (
        (client.post("/v1/cohorts", json=body), "body.effort_rules"),
        (
            admin.patch("/v1/site", json={"analysis": {"effort_rules": "no_such"}}),
            "body.analysis.effort_rules",
        ),
        (client.get(f"/v1/tests/{test['id']}/analysis?effort_rules=no_such"), "query.effort_rules"),
        (
            client.post(f"/v1/tests/{test['id']}/analysis", json={"settings": {"effort_rules": "no_such"}}),
            "body.settings.effort_rules",
        ),
    ):
        assert answer.status_code == 422
        assert [one["location"] for one in answer.json()["errors"]] == [place]
    cohort = cohort_of(client, "study", None, subject["id"])
    changed = client.patch(f"/v1/cohorts/{cohort['id']}", json={"effort_rules": "no_such"})
    assert changed.status_code == 422


def test_a_verification_bout_is_judged_by_the_same_set(client, laboratory, subject, rows, strict):
    cohort_of(client, "study", "strict", subject["id"])
    visit = laboratory.visit(subject["id"])
    main = laboratory.complete(visit["id"])
    laboratory.complete(visit["id"], rows(3700.0), purpose="verification", verifies_test_id=main["id"])
    assert rules_of(laboratory.analysis(main["id"])) == ("strict", "cohort")
