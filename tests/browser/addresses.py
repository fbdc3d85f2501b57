"""Every page of the service, with addresses in the demonstration record at which to look at it."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
from fastapi.routing import APIRoute

from service.app import PAGES
from service.pages.guide import pages as guide_pages
from tests.browser.served import Served

#: By route, then by a name of what is seen there. What stands in braces is an id that `Records` finds or makes.
ADDRESSES: dict[str, dict[str, str]] = {
    "/guide": {"guide": "/guide"},
    "/guide/{name}": {f"guide-{name}": f"/guide/{name}" for name in guide_pages() if name != "index"},
    "/docs": {"interface": "/docs"},
    "/sign-in": {"sign-in": "/sign-in"},
    "/people": {
        "people": "/people",
        "people-found": "/people?query=FC-0",
        "people-nobody-found": "/people?query=nobody",
    },
    "/people/new": {"person-new": "/people/new"},
    "/people/{subject_id}": {
        "person": "/people/{client}",
        "person-rower": "/people/{rower}",
        "person-without-tests": "/people/{newcomer}",
    },
    "/people/{subject_id}/edit": {"person-edit": "/people/{client}/edit"},
    "/people/{subject_id}/visits/new": {"visit-new": "/people/{client}/visits/new"},
    "/people/{subject_id}/events/new": {"event-new": "/people/{client}/events/new"},
    "/visits/{visit_id}/edit": {"visit-edit": "/visits/{visit}/edit"},
    "/visits/{visit_id}/measurements": {"measurements": "/visits/{visit}/measurements"},
    "/visits/{visit_id}/prepare": {
        "prepare": "/visits/{visit}/prepare",
        "prepare-again": "/visits/{new_visit}/prepare",
    },
    "/visits/{visit_id}/import": {"import": "/visits/{visit}/import"},
    "/tests/{test_id}": {
        "test": "/tests/{test}",
        "test-with-lactate": "/tests/{lactate_test}",
        "test-reported-only": "/tests/{reported_test}",
        "test-being-recorded": "/tests/{open_test}",
        "test-void": "/tests/{void_test}",
    },
    "/tests/{test_id}/edit": {"test-edit": "/tests/{test}/edit"},
    "/tests/{test_id}/rows": {"test-rows": "/tests/{test}/rows"},
    "/tests/{test_id}/settings": {"test-settings": "/tests/{test}/settings"},
    "/imports": {"imports": "/imports"},
    "/imports/templates": {"import-templates": "/imports/templates"},
    "/tests/{test_id}/thresholds": {"test-thresholds": "/tests/{test}/thresholds"},
    "/tests/{test_id}/record": {
        "recording-before": "/tests/{open_test}/record",
        "recording-exercise": "/tests/{running_test}/record",
        "recording-cool-down": "/tests/{ended_test}/record",
        "recording-over": "/tests/{test}/record",
    },
    "/people/{subject_id}/compare": {
        "compare-choose": "/people/{client}/compare",
        "compare": "/people/{client}/compare?first={test_before}&second={test}",
    },
    "/site": {"site": "/site"},
    "/site/devices": {"devices": "/site/devices"},
    "/site/settings": {"site-settings": "/site/settings"},
    "/site/keys": {"keys": "/site/keys"},
    "/groups": {"groups": "/groups"},
    "/groups/{cohort_id}": {
        "group": "/groups/{study}",
        "group-change": "/groups/{study}?from=1&to=4",
        "group-rowers": "/groups/{squad}",
    },
}

#: What else is looked at in a browser.
LOOKED_AT = ADDRESSES | {
    "reports": {
        f"report-{of}-{audience}": f"/v1/{of}s/{{{of_id}}}/report?audience={audience}&format=html"
        for of, of_id in (("test", "test"), ("subject", "client"))
        for audience in ("client", "record")
    }
}

#: Routes that answer with something other than a page, and what that is.
NO_PAGES = {"/": "goes on to the people or to the guide"}


def routes() -> set[str]:
    """Paths that a browser may get, of all page routers."""
    return {
        route.path
        for router in PAGES
        for route in router.routes
        if isinstance(route, APIRoute) and "GET" in route.methods
    }


@dataclass(frozen=True, slots=True)
class Records:
    """Ids of records in the demonstration that show a page well, and of a few that are added for it.

    Attributes
    ----------
    ids : dict
        By the names in `ADDRESSES`.
    """

    ids: dict[str, str]

    def addresses(self, route: str) -> dict[str, str]:
        """Addresses of one route, or of the reports, by name."""
        return {name: address.format_map(self.ids) for name, address in LOOKED_AT[route].items()}


#: Seconds after the clock was started, and what was marked.
_RUNNING: tuple[tuple[int, dict[str, Any]], ...] = (
    (0, {"kind": "clock_started"}),
    (0, {"kind": "stage_started", "phase": "rest"}),
    (120, {"kind": "stage_started", "phase": "exercise", "stage": 1, "work_rate_w": 80.0}),
)
_ENDED: tuple[tuple[int, dict[str, Any]], ...] = ((440, {"kind": "exercise_ended", "stop_reason": "legs"}),)
_NOTED: list[dict[str, Any]] = [
    {"stage": stage, "phase": "exercise", "time_s": time_s, "work_rate_w": load, "rpe": rpe, "rpe_scale": "6-20",
     "heart_rate_bpm": rate, "systolic_mmhg": systolic, "diastolic_mmhg": 76.0}
    for stage, time_s, load, rpe, rate, systolic in ((1, 225.0, 80.0, 9.0, 104.0, 142.0), (2, 348.0, 100.0, 11.0, 117.0, 154.0))
]  # fmt: skip


def records(served: Served, key: str) -> Records:
    """Find the ids, and add a newcomer, tests before, within and after exercise of their recording, and a void one."""
    with httpx.Client(
        base_url=served.address, headers={"Authorization": f"Bearer {key}"}, timeout=30
    ) as client:

        def got(address: str, **query: Any) -> Any:
            answer = client.get(address, params=query)
            assert answer.is_success, answer.text
            return answer.json()

        def made(address: str, body: dict[str, Any]) -> str:
            answer = client.post(address, json=body)
            assert answer.is_success, answer.text
            return answer.json()["id"]

        def subject(code: str) -> str:
            return got("/v1/subjects", query=code)["items"][0]["id"]

        def visits_of(subject_id: str) -> list[dict[str, Any]]:
            found = got(f"/v1/subjects/{subject_id}/visits")["items"]
            return sorted((one for one in found if one["tests"]), key=lambda one: one["started_at"])

        cohorts = {one["name"]: one["id"] for one in got("/v1/cohorts")["items"]}
        ids = {
            "client": subject("FC-04"),
            "improved": subject("FC-01"),
            "rower": subject("RS-01"),
            "old_client": subject("FC-10"),
        }
        ids |= {"squad": cohorts["Rowing squad"], "study": cohorts["Training study"]}
        *_, before, last = visits_of(ids["client"])
        ids |= {"visit": last["id"], "test": last["tests"][0], "test_before": before["tests"][0]}
        ids["lactate_test"] = visits_of(ids["rower"])[-1]["tests"][0]
        ids["reported_test"] = visits_of(ids["old_client"])[0]["tests"][0]
        ids["newcomer"] = made(
            "/v1/subjects", {"code": "NEW-01", "sex": "female", "birth_date": "1984-05-02"}
        )
        other = made("/v1/subjects", {"code": "NEW-02", "sex": "male", "birth_date": "1971-11-20"})
        ids["new_visit"] = made(
            f"/v1/subjects/{other}/visits", {"started_at": "2026-03-02T10:00:00+01:00", "body_mass_kg": 78.0}
        )
        ids["open_test"] = made(
            f"/v1/visits/{ids['new_visit']}/tests", {"mode": "cycle", "protocol_id": "cycle_step_untrained"}
        )
        for name, marks in (("running_test", _RUNNING), ("ended_test", (*_RUNNING, *_ENDED))):
            ids[name] = made(
                f"/v1/visits/{ids['new_visit']}/tests",
                {"mode": "cycle", "protocol_id": "cycle_step_untrained"},
            )
            begun = datetime.now(UTC) - timedelta(seconds=445)
            rows = [{**mark, "at": (begun + timedelta(seconds=after)).isoformat()} for after, mark in marks]
            for part, body in (("marks", rows), ("stage-notes", _NOTED)):
                answer = client.post(f"/v1/tests/{ids[name]}/{part}", json=body)
                assert answer.is_success, answer.text
        ids["void_test"] = made(f"/v1/visits/{ids['new_visit']}/tests", {"mode": "cycle"})
        answer = client.patch(f"/v1/tests/{ids['void_test']}", json={"status": "void"})
        assert answer.is_success, answer.text
    return Records(ids)
