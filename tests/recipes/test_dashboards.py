"""The recipes of the page on dashboards, each run as it stands against a running service with the demonstration record."""

import ast
import csv
import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.api.test_links import in_light

QUANTITY = "vo2_peak_ml_kg_min"
CODE = "RS-01"
BOARD = "https://board.example"


def run(folder: Path, service: Any, *command: str, status: int = 0) -> str:
    done = subprocess.run(
        command,
        env=service.environment,
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == status, done.stdout + done.stderr
    return done.stdout if status == 0 else done.stderr


def rows_of(service: Any, **query: str) -> list[dict[str, Any]]:
    with service.client() as client:
        address = f"/v1/subjects/{service.subject_ids[CODE]}/trends/{QUANTITY}"
        return client.get(address, params={"format": "rows", **query}).json()


def test_every_recipe_is_run_here(recipes):
    own = {
        node.value
        for node in ast.walk(ast.parse(Path(__file__).read_text("utf-8")))
        if isinstance(node, ast.Constant)
    }
    assert set(recipes) <= own
    assert set(recipes) == {
        "trend.py", "follow.sh", "make_vega.py", "board.html", "make_client.sh", "use_client.py",
    }  # fmt: skip


def test_the_key_of_the_board_sees_one_person_and_no_name(service):
    with service.client() as client, service.client(service.tester_key) as desk:
        (subject,) = client.get("/v1/subjects").json()["items"]
        assert subject["code"] == CODE
        assert {subject[name] for name in ("given_name", "family_name", "birth_date", "notes")} == {None}
        assert desk.get(f"/v1/subjects/{subject['id']}").json()["birth_date"] is not None
        for code, subject_id in service.subject_ids.items():
            expected = 200 if code == CODE else 404
            assert (
                client.get(f"/v1/subjects/{subject_id}/trends/{QUANTITY}?format=rows").status_code == expected
            )
        assert client.get("/v1/cohorts").status_code == 404
        subjects = {one["subject_id"] for one in client.get("/v1/changes?limit=500").json()["items"]}
        assert subjects == {subject["id"]}
        assert client.patch(f"/v1/subjects/{subject['id']}", json={"notes": "x"}).status_code == 403


def test_pandas(service, folder):
    told = run(folder, service, sys.executable, "trend.py", CODE, QUANTITY)
    rows = [row for row in rows_of(service) if row["counted"]]
    assert len(rows) >= 3
    lines = told.splitlines()
    assert len(lines) == 1 + len(rows) + len({row["mode"] for row in rows})
    for row, line in zip(rows, lines[1:], strict=False):
        assert row["date"] in line
        assert float(line.split()[2]) == pytest.approx(row["value"], abs=1e-5)
        assert (row["change_from_first_verdict"] or "NaN") in line
    best = max(row["value"] for row in rows)
    assert f"best {best:.1f} mL/kg/min" in lines[-1]
    # For anybody else the key has no answer.
    assert "does not cover it" in run(
        folder, service, sys.executable, "trend.py", "RS-02", QUANTITY, status=1
    )


def test_a_shell_with_curl(service, folder):
    subject_id = service.subject_ids[CODE]
    follow = ("sh", "follow.sh", subject_id, QUANTITY)
    first = run(folder, service, *follow).splitlines()
    with service.client() as client:
        whole = client.get("/v1/changes?limit=500").json()["items"]
    assert first == [
        *(f"change {one['seq']} {one['action']} {one['kind']} {one['id']}" for one in whole),
        f"trend read anew: {len(rows_of(service))} rows",
    ]
    with (folder / "trend.csv").open(encoding="utf-8", newline="") as file:
        read = list(csv.DictReader(file))
    assert [float(row["value"]) for row in read] == [row["value"] for row in rows_of(service)]
    before = (folder / "trend.csv").read_bytes()

    # Nothing is new: no change, and 304.
    assert run(folder, service, *follow) == "trend unchanged\n"
    assert (folder / "trend.csv").read_bytes() == before

    # Somebody writes: about this person, and about another, whom the key does not cover.
    with service.client(service.tester_key) as desk:
        visits = {
            code: desk.get(f"/v1/subjects/{service.subject_ids[code]}/visits").json()["items"][-1]["id"]
            for code in (CODE, "RS-02")
        }
        for visit_id in visits.values():
            put = desk.put(
                f"/v1/visits/{visit_id}/measurements", json=[{"quantity": "grip_strength_kg", "value": 48.0}]
            )
            assert put.status_code == 200
    third = run(folder, service, *follow).splitlines()
    assert [line.split(" ", 2)[2] for line in third[:-1]] == [f"changed visit {visits[CODE]}"]
    assert third[-1].startswith("trend read anew")
    assert run(folder, service, *follow) == "trend unchanged\n"

    # The place is one that the feed has not: it says so, and reads on from the end.
    (folder / "since.txt").write_text("1000000000", encoding="utf-8")
    fourth = run(folder, service, *follow).splitlines()
    assert fourth[0].startswith("The feed no longer has this place")
    assert fourth[-1].startswith("trend read anew")
    assert run(folder, service, *follow) == "trend unchanged\n"

    # A key that is none is told on standard error, and the place is kept.
    place = (folder / "since.txt").read_text("utf-8")
    service.environment["SERVICE_KEY"], kept = "ups_wrong", service.environment["SERVICE_KEY"]
    try:
        assert "A valid key is needed" in run(folder, service, *follow, status=1)
    finally:
        service.environment["SERVICE_KEY"] = kept
    assert (folder / "since.txt").read_text("utf-8") == place


class Board(HTMLParser):
    """Scripts of the page: their sources, and what stands in them."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.sources: list[str] = []
        self.spec = ""
        self._in_spec = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "script" and given.get("src"):
            self.sources.append(str(given["src"]))
        self._in_spec = tag == "script" and given.get("id") == "spec"

    def handle_data(self, data: str) -> None:
        if self._in_spec:
            self.spec += data

    def handle_endtag(self, tag: str) -> None:
        del tag
        self._in_spec = False


def test_a_page_with_vega_lite(service, folder):
    import vl_convert

    # board.html as it is filled in: the address of the service, and the person.
    page = (folder / "board.html").read_text("utf-8")
    page = page.replace("http://127.0.0.1:8000", service.address).replace(
        "SUBJECT_ID", service.subject_ids[CODE]
    )
    board = Board(page)
    spec = json.loads(board.spec)

    # What the page loads is made without internet, and has what the page calls.
    assert board.sources == ["vega.js"]
    run(folder, service, sys.executable, "make_vega.py")
    assert "window.vegaEmbed" in (folder / "vega.js").read_text("utf-8")
    assert not re.search(r"https?://(?!127\.0\.0\.1|vega\.github\.io/schema/)", page)

    # The browser may ask from the board's site, with the header that the page sends.
    with service.client() as client:
        address = spec["data"]["url"]
        asked = {"Access-Control-Request-Method": "GET", "Access-Control-Request-Headers": "authorization"}
        assert client.options(address, headers=asked | {"Origin": BOARD}).status_code == 200
        answer = client.get(address, headers={"Origin": BOARD})
        assert answer.headers["access-control-allow-origin"] == BOARD
        assert client.options(address, headers=asked | {"Origin": "https://other.example"}).status_code == 400

    # The specification, with the rows as they were fetched, drawn with no network.
    rows = answer.json()
    names = set(re.findall(r'"field": "(\w+)"', board.spec))
    assert names <= set(rows[0])
    spec["data"] = {"values": rows, "format": spec["data"]["format"]}
    svg = vl_convert.vegalite_to_svg(spec, allowed_base_urls=[])
    # One mark a row, each described by its value and mode.
    marks = re.findall(r'aria-roledescription="point"', svg)
    assert len(marks) == len(rows) > 2
    assert "VO2peak (mL/kg/min)" in svg
    for row in rows:
        assert f"{row['value']:.1f}" in svg, row["date"]


def test_a_client_with_types(service, folder):
    said = run(folder, service, "sh", "make_client.sh")
    # The document is at fault where the generator leaves out more than the bytes of pictures and archives.
    assert "Generating upslope_client" in said
    assert "will not be generated" not in said
    left_out = set(re.findall(r"Unsupported content_type ([\w/+, .-]+)\)", said))
    assert {kind for kinds in left_out for kind in kinds.split(", ")} <= {
        "image/png", "image/svg+xml", "application/zip", "application/pdf", "application/vnd.apache.parquet",
    }  # fmt: skip

    told = run(folder, service, sys.executable, "use_client.py", CODE).splitlines()
    with service.client() as client:
        known = client.get(f"/v1/subjects/{service.subject_ids[CODE]}/trends").json()["items"]
    assert [line.split()[1] for line in told] == [one["quantity"] for one in known]
    latest = max(rows_of(service), key=lambda row: row["date"])
    assert f"{latest['date']} {QUANTITY} {latest['value']:.2f} mL/kg/min" in told


@pytest.mark.proof
def test_the_types_of_the_client_find_a_slip(service, folder):
    import mypy.api

    run(folder, service, "sh", "make_client.sh")
    recipe = folder / "use_client.py"
    options = ["--cache-dir", str(folder / "cache"), "--follow-imports=silent"]
    out, _, status = mypy.api.run([str(recipe), *options])
    assert status == 0, out
    recipe.write_text(
        recipe.read_text("utf-8").replace("latest.quantity", "latest.quantty"), encoding="utf-8"
    )
    out, _, status = mypy.api.run([str(recipe), *options])
    assert status == 1
    assert "quantty" in out


def test_a_link_to_a_chart_over_a_real_connection(service):
    address = f"/v1/subjects/{service.subject_ids[CODE]}/trends/{QUANTITY}?format=svg"
    with service.client(service.tester_key) as desk:
        link = desk.post("/v1/links", json={"address": address, "days": 1}).json()
        assert link["url"].startswith(f"{service.address}/links/")
        drawn = desk.get(address).content
    assert httpx.get(link["url"]).content == in_light(drawn)
