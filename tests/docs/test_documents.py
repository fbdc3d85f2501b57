"""README, DEVELOPERS and the guide are true: commands run, links lead somewhere, lists are complete."""

import json
import re
import shutil
import subprocess
import tomllib
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import pytest
from starlette.testclient import TestClient

from service.app import create_app
from service.findings import FINDINGS
from service.http.problems import FRAMEWORK
from service.methods.catalogue import METHODS
from service.pages import guide
from service.quantities import QUANTITIES
from service.reference.tables import builtin_norms
from service.settings import Settings
from tests.docs.console import GUIDE, IMAGES, ROOT, blocks, commands, documents, planned, retold, settled
from tests.docs.diagram import with_current_diagram

PLAIN = [ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md")]
ALL = [*PLAIN, *sorted(GUIDE.glob("*.md"))]


class _Page(HTMLParser):
    """Anchors, links and loaded addresses of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.anchors: list[str] = []
        self.links: list[str] = []
        self.loaded: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "id" and value:
                self.anchors.append(value)
            elif name == "href" and value and tag == "a":
                self.links.append(value)
            elif name in {"src", "href", "srcset", "action", "data", "poster"} and value:
                self.loaded.append(value)


@pytest.fixture(scope="module")
def client():
    with TestClient(create_app(Settings(database_url="sqlite:///never-opened.db"))) as opened:
        yield opened


@pytest.fixture(scope="module")
def served(client) -> dict[str, _Page]:
    """Every page of the guide as it is served, by its address."""
    addresses = ["/guide" if name == "index" else f"/guide/{name}" for name in guide.pages()]
    return {address: _Page(client.get(address).text) for address in addresses}


@pytest.mark.parametrize("path", documents(), ids=lambda path: path.name)
def test_commands_give_the_answers_that_are_shown(path: Path, tmp_path: Path) -> None:
    drawn: list[str] = []
    shown = path.read_text(encoding="utf-8")
    told = retold(shown, tmp_path, lambda folder: drawn.extend(one.name for one in folder.glob("*.svg")))

    assert told == shown, f"{path.name} is not current; python -m tests.docs.regenerate {path.name}"
    if path.name == "README.md":
        assert sorted(drawn) == sorted(one.name for one in IMAGES.glob("*.svg"))
        for name in drawn:
            now, stored = ((folder / name).read_text("utf-8") for folder in (tmp_path, IMAGES))
            assert _words(now) == _words(stored), f"{name} is not current; python -m tests.docs.regenerate"


def _words(svg: str) -> list[str]:
    """What a chart says: its texts, which the letters of another machine do not move."""
    return re.findall(r"<text[^>]*>([^<]+)</text>", svg)


def test_commands_that_are_shown_without_answers_are_targets_of_make() -> None:
    shown = [
        b.content.split("\n") for path in ALL for b in blocks(path.read_text("utf-8")) if b.language == "bash"
    ]
    lines = [line for content in shown for line in content if line]

    assert {"make demo", "make test"} <= set(lines)
    for line in lines:
        program, target = line.split()
        assert program == "make"
        assert planned(target)


def test_fences_say_what_they_are() -> None:
    known = {"console", "bash", "csv", "dockerfile", "html", "ini", "mermaid", "python", "sh"}

    assert {b.language for path in ALL for b in blocks(path.read_text("utf-8"))} <= known


def test_the_lines_of_the_first_try_are_in_the_readme_of_the_data_and_run(tmp_path: Path) -> None:
    lines = re.findall(
        r"`(upslope analyse seed_data/examples/[^`]+)`", (ROOT / "README.md").read_text("utf-8")
    )
    data = (ROOT / "seed_data" / "README.md").read_text("utf-8")

    assert len(lines) == len(list((ROOT / "seed_data" / "examples").iterdir()))
    for line in lines:
        file, options = re.match(r"upslope analyse seed_data/(\S+) (.*)", line).groups()
        assert f"`{file}` | `{options}`" in data


def test_links_of_plain_documents_lead_to_files_and_headings() -> None:
    for path in PLAIN:
        for target in re.findall(r"\]\(([^)]+)\)", _without_code(path)):
            file, _, anchor = target.partition("#")
            lead = (path.parent / unquote(file)).resolve() if file else path
            assert lead.is_file(), f"{path.name} links to {target}"
            if anchor:
                headings = re.findall(r"^#+ (.+)$", lead.read_text("utf-8"), re.MULTILINE)
                assert anchor in {guide.anchor_of(one) for one in headings}, f"{path.name}: {target}"


def _without_code(path: Path) -> str:
    return re.sub(r"^```.*?^```", "", path.read_text("utf-8"), flags=re.MULTILINE | re.DOTALL)


def test_links_and_anchors_of_the_guide_resolve(client, served) -> None:
    for address, page in served.items():
        for link in page.links:
            lead, _, anchor = link.partition("#")
            lead = lead or address
            assert lead.startswith("/"), f"{address} links to {link}"
            if lead in served:
                assert not anchor or anchor in served[lead].anchors, f"{address}: {link}"
            else:
                assert client.get(lead).status_code == 200, f"{address}: {link}"


def test_anchors_are_there_once(served) -> None:
    for address, page in served.items():
        assert len(page.anchors) == len(set(page.anchors)), address


def test_every_page_is_reached_from_the_first_by_its_text() -> None:
    """The column of contents lists them all by itself; the text must lead there too."""
    seen, waiting = set(), ["index"]
    while waiting:
        name = waiting.pop()
        if name not in seen:
            seen.add(name)
            waiting += re.findall(r"\]\(/guide/([\w-]+)", guide.pages()[name].markdown)

    assert seen == set(guide.pages())


def test_every_page_has_a_title_and_a_place() -> None:
    for path in GUIDE.glob("*.md"):
        assert re.match(r"# \S", path.read_text("utf-8")), path.name
    assert list(guide.pages()) == list(guide.ORDER)
    assert len({page.title for page in guide.pages().values()}) == len(guide.ORDER)


def test_lists_are_complete(served) -> None:
    errors = {kind.slug for kind in guide.error_kinds()} | {slug for slug, _ in FRAMEWORK.values()}

    assert errors <= set(served["/guide/errors"].anchors)
    assert set(guide._TOLD) == errors
    assert set(FINDINGS) <= set(served["/guide/findings"].anchors)
    assert set(METHODS) <= set(served["/guide/methods"].anchors)
    assert {table.id for table in builtin_norms()} <= set(served["/guide/standing"].anchors)
    for one in Settings.described():
        assert f"`{one['name']}`" in guide.pages()["settings"].markdown
    for key in QUANTITIES:
        assert f"`{key}`" in guide.pages()["quantities"].markdown


def test_the_type_of_a_problem_is_an_anchor_of_the_guide(client, served) -> None:
    address, _, anchor = client.get("/v1/subjects").json()["type"].partition("#")

    assert anchor in served[address].anchors


def test_settings_named_in_the_documents_exist() -> None:
    known = {one["name"] for one in Settings.described()} | {"UPSLOPE_OPEN_DATA"}
    for path in ALL:
        for name in re.findall(r"UPSLOPE_[A-Z_]*[A-Z]", path.read_text("utf-8")):
            assert name in known, f"{path.name}: {name}"


def test_paths_named_in_the_map_exist() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    for name in re.findall(
        r"`((?:service|tests|migrations|seed_data|openapi|analyses|http|intake|pages|reference|charts|methods|db|analysis)/[\w./-]*)`",
        text,
    ):
        assert (ROOT / name).exists() or (ROOT / "service" / name).exists(), name


def test_entity_diagram_is_current() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")

    assert "erDiagram" in text
    assert with_current_diagram(text) == text, "python -m tests.docs.regenerate"


def test_documents_speak_of_the_project_alone() -> None:
    forbidden = re.compile(
        r"/work/|/home/|/root/|/tmp/|\bissue #|\bissue \d|pypi\.org|files\.pythonhosted|github\.com/\S+/issues|"
        r"\.\./shared|localhost:\d+/simple",
        re.IGNORECASE,
    )
    for path in ALL:
        found = forbidden.search(path.read_text("utf-8"))
        assert found is None, f"{path.name}: {found and found[0]}"


def test_documents_never_promise_safety() -> None:
    for path in ALL:
        assert not re.search(r"\b(un)?safe(ly)?\b|\bpassed fit\b", path.read_text("utf-8"), re.IGNORECASE), (
            path.name
        )


def test_pages_load_nothing_from_another_host(client, served) -> None:
    pages = {**served, "/docs": _Page(client.get("/docs").text)}
    for address, page in pages.items():
        assert page.loaded, address
        for loaded in page.loaded:
            assert loaded.startswith(("/static/", "data:,")), f"{address} loads {loaded}"
            if loaded.startswith("/static/"):
                assert client.get(loaded).status_code == 200
    static = ROOT / "service" / "pages" / "static"
    for sheet in static.rglob("*.css"):
        outside = re.findall(r"url\(\s*['\"]?(https?:|//)[^)]*\)|@import\s+[^;]+;", sheet.read_text("utf-8"))
        assert not outside, sheet.name


def test_vendored_scripts_have_their_licences() -> None:
    vendor = ROOT / "service" / "pages" / "static" / "vendor"

    assert {"swagger-ui.LICENSE", "swagger-ui-bundle.js.LICENSE.txt", "htmx.LICENSE"} <= {
        one.name for one in vendor.iterdir()
    }


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not on this machine")
def test_the_unit_is_one_that_systemd_takes(tmp_path: Path) -> None:
    (unit,) = [b for b in blocks((GUIDE / "deployment.md").read_text("utf-8")) if b.language == "ini"]
    path = tmp_path / unit.options["file"]
    program = shutil.which("true") or ""
    path.write_text(unit.content.replace("/opt/upslope/bin/upslope", program), encoding="utf-8")
    told = subprocess.run(
        ["systemd-analyze", "verify", str(path)], capture_output=True, text=True, check=False
    )

    assert [line for line in (told.stdout + told.stderr).splitlines() if "upslope" in line] == []


def test_the_container_is_made_of_what_there_is() -> None:
    """No container can be built here: each thing that the file names is looked up instead."""
    (file,) = [b for b in blocks((GUIDE / "deployment.md").read_text("utf-8")) if b.language == "dockerfile"]
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert f"FROM python:{project['requires-python'].removeprefix('>=')}" in file.content
    assert (ROOT / re.search(r"/src/(\S+\.lock)", file.content)[1]).exists()
    (variable,) = re.findall(r"^ENV (\w+)=(\S+)", file.content, re.MULTILINE)
    assert Settings(database_url=variable[1]).sqlite_path.startswith("/record/")
    assert variable[0] in {one["name"] for one in Settings.described()}
    command = json.loads(re.search(r"^CMD (\[.+\])", file.content, re.MULTILINE)[1])
    assert command[:2] == ["upslope", "serve"]
    assert {one for one in command if one.startswith("--")} <= {"--host", "--port"}


def test_what_varies_is_a_placeholder() -> None:
    text = "key ups_" + "A" * 43 + ' "r7.0123456789ab" id k7mwz4hq2nb9xcvd at 2026-03-01T10:00:00.123456Z'

    assert settled(text) == 'key ups_<key> "r7.<digest>" id <id> at <instant>'


def test_a_block_without_a_command_is_refused() -> None:
    with pytest.raises(ValueError, match="begins with a command"):
        commands("answer without a question")


def test_a_wrong_answer_is_seen(tmp_path: Path) -> None:
    wrong = "```console\n$ upslope --version\n0.0.0-wrong\n```\n"

    assert retold(wrong, tmp_path) != wrong


def test_makefile_names_the_demonstration() -> None:
    assert (
        subprocess.run(["make", "--dry-run", "demo"], cwd=ROOT, capture_output=True, check=True).returncode
        == 0
    )
