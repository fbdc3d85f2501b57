"""A picture or a report that the client has is told to be the same from the state of the record alone."""

from typing import Any

import pytest
import sqlalchemy as sa

#: Everything that gathers, judges, draws or sets.
WORK = (
    "service.analyses.workflow.analysis_of",
    "service.analyses.workflow.chart_of",
    "service.analyses.workflow.chart_from",
    "service.charts.render.render_png",
    "service.charts.render.render_svg",
    "service.reports.routes.html_of",
    "service.reports.routes.pdf_of",
    "service.reports.workflow.report_of_history",
    "service.reports.workflow.report_of_test",
)
#: The address, and the tables that are read: who asks, and which state it is of (again where no answer is kept ready); a
#: report bears the day of its visit's place.
UNCHANGED = (
    ("/v1/tests/{test}/charts/uptake?format=svg", ["api_key", "subject"]),
    ("/v1/tests/{test}/charts/heart_rate?format=png", ["api_key", "subject"]),
    *(
        (
            f"/v1/tests/{{test}}/report?audience={audience}&format={form}",
            ["api_key", *["subject"] * 2, "visit"],
        )
        for audience in ("client", "record")
        for form in ("pdf", "html")
    ),
    ("/v1/subjects/{subject}/report?format=pdf", ["api_key", *["subject"] * 2, *["visit"] * 2]),
)


@pytest.fixture
def ids(laboratory) -> dict[str, str]:
    subject = laboratory.subject()
    visit = laboratory.visit(subject["id"])
    return {"subject": subject["id"], "test": laboratory.complete(visit["id"])["id"]}


@pytest.mark.parametrize(("address", "tables"), UNCHANGED)
def test_nothing_is_gathered_drawn_or_set(client, store, ids, monkeypatch, address, tables):
    if store.prompt_engine is None:
        pytest.skip("counted on SQLite")
    asked = address.format(**ids)
    tag = client.get(asked).headers["etag"]

    def never(*_: Any, **__: Any) -> None:
        raise AssertionError("computed")

    seen: list[str] = []

    def note(*told: Any) -> None:
        seen.append(told[2])

    engines = (store.prompt_engine, store.read_engine, store.write_engine)
    for engine in engines:
        sa.event.listen(engine, "before_cursor_execute", note)
    try:
        with monkeypatch.context() as patched:
            for name in WORK:
                patched.setattr(name, never)
            answer = client.get(asked, headers={"If-None-Match": tag})
    finally:
        for engine in engines:
            sa.event.remove(engine, "before_cursor_execute", note)
    assert (answer.status_code, answer.content) == (304, b"")
    read = [one.split("FROM ")[-1].split()[0] for one in seen if not one.startswith("BEGIN")]
    assert read == tables
