"""Runs what the documents show: console blocks of README and guide, one session a document.

A session is a fresh folder with `seed_data` in it. ``upslope`` runs in this process, ``curl`` speaks to the application
of the last ``upslope serve`` or ``upslope demo`` of the session, and what stands after a pipe runs as it is. What is not
the same twice (ids, keys, folders, today) is shown as a placeholder.

A fence may say more after its language: ``lines=12`` shows so many lines of each answer and then ``...``;
``file=NAME`` makes the block the content of that file.
"""

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

from markdown_it import MarkdownIt
from starlette.testclient import TestClient
from typer.testing import CliRunner

ROOT = Path(__file__).resolve().parents[2]
GUIDE = ROOT / "service" / "pages" / "guide"
IMAGES = ROOT / "docs" / "images"

_PLACEHOLDERS: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(r"\bups_[\w-]{43}"), "ups_<key>"),
    # An id may have no digit; no English word of 16 letters does without i, l and o.
    (re.compile(r"\b[abcdefghjkmnpqrstuvwxyz2-9]{16}\b"), "<id>"),
    (re.compile(r"/[\w./-]*upslope-demo-\w+"), "<folder>"),
    (re.compile(r'"r(\d+)\.[0-9a-f]{12}"'), r'"r\1.<digest>"'),
    (re.compile(r"\b[0-9a-f]{12}\b"), "<digest>"),
    (re.compile(r"\b20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d\.\d+(Z|\+00:00)"), "<instant>"),
    (re.compile(r"\b20\d{6}T\d{6,12}Z"), "<instant>"),
)


def settled(text: str) -> str:
    """The text with what varies made a placeholder."""
    for pattern, placeholder in _PLACEHOLDERS:
        text = pattern.sub(placeholder, text)
    return "\n".join(line.rstrip() for line in text.splitlines()).strip("\n")


@dataclass(frozen=True)
class Block:
    """One fence of a document.

    Attributes
    ----------
    first, last : int
        Lines of the document, from 0, of the content alone; `last` is exclusive.
    """

    language: str
    options: dict[str, str]
    content: str
    first: int
    last: int


def blocks(markdown: str) -> list[Block]:
    """All fences of a document."""
    found = []
    for token in MarkdownIt("commonmark").parse(markdown):
        if token.type == "fence" and token.map is not None:
            language, *rest = token.info.split() or [""]
            options = dict(part.split("=", 1) for part in rest if "=" in part)
            found.append(Block(language, options, token.content, token.map[0] + 1, token.map[1] - 1))
    return found


@dataclass(frozen=True)
class Shown:
    """A command of a block and the answer shown below it."""

    command: str
    answer: str


def commands(content: str) -> list[Shown]:
    """Commands of a console block; a line ending in a backslash goes on."""
    found: list[tuple[list[str], list[str]]] = []
    going_on = False
    for line in content.splitlines():
        if going_on:
            found[-1][0].append(line)
        elif line.startswith("$ "):
            found.append(([line.removeprefix("$ ")], []))
        elif found:
            found[-1][1].append(line)
        else:
            raise ValueError(f"a console block begins with a command, not with {line!r}")
        going_on = (line.startswith("$ ") or going_on) and line.endswith("\\")
    return [Shown("\n".join(told), "\n".join(answer)) for told, answer in found]


@dataclass
class Session:
    """One reader following one document.

    Attributes
    ----------
    folder : Path
        The working directory.
    """

    folder: Path
    _variables: dict[str, str] = field(default_factory=dict)
    _client: TestClient | None = None
    _printed_key: str = ""

    @contextmanager
    def open(self) -> Iterator["Session"]:
        """Go to the folder, and back at the end."""
        before = Path.cwd()
        kept = {name: value for name, value in os.environ.items() if name.startswith("UPSLOPE_")}
        (self.folder / "seed_data").symlink_to(ROOT / "seed_data")
        os.chdir(self.folder)
        for name in kept:
            del os.environ[name]
        try:
            yield self
        finally:
            if self._client is not None:
                self._client.__exit__(None, None, None)
            os.chdir(before)
            for name in [name for name in os.environ if name.startswith("UPSLOPE_")]:
                del os.environ[name]
            os.environ.update(kept)

    def run(self, command: str) -> str:
        """The answer to one command, standard output and standard error together."""
        text = command.replace("\\\n", " ")
        if assigned := re.fullmatch(r"(?:export )?(\w+)=\$\((.*)\)", text.strip(), re.DOTALL):
            self._variables[assigned[1]] = self.run(assigned[2]).strip()
            return ""
        if copied := re.fullmatch(r"(\w+)=ups_<key>", text.strip()):  # a reader copies the key just printed
            self._variables[copied[1]] = self._printed_key
            return ""
        text = re.sub(r"\$\{?([A-Z_]+)\}?", lambda match: self._variables[match[1]], text)
        if exported := re.fullmatch(r"export (UPSLOPE_\w+)=(\S+)", text.strip()):
            os.environ[exported[1]] = exported[2]
            return ""
        stages = _stages(text)
        answer = self._first(stages[0])
        for stage in stages[1:]:
            answer = _piped(stage, answer)
        return answer

    def _first(self, words: list[str]) -> str:
        program, *arguments = words
        programs: dict[str, Callable[[list[str]], str]] = {
            "upslope": self._upslope,
            "curl": self._curl,
            "make": self._make,
            "cat": lambda names: "".join(Path(name).read_text(encoding="utf-8") for name in names),
        }
        return programs[program](arguments)

    def _upslope(self, arguments: list[str]) -> str:
        from service import cli

        with mock.patch.object(cli, "_serve", self._serve), _closed_at_the_end():
            result = CliRunner().invoke(cli.app, arguments, env={"COLUMNS": "100"})
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        if key := re.search(r"ups_[\w-]{43}", result.output):
            self._printed_key = key[0]
        return result.output

    def _serve(self, settings: Any, host: str, port: int, workers: int) -> None:
        """In the place of a server: the same application, spoken to in this process."""
        from service.app import create_app

        del workers
        self._client = TestClient(create_app(settings), base_url=f"http://{host}:{port}")
        self._client.__enter__()

    def _make(self, arguments: list[str]) -> str:
        """Of `make demo` its command is run here."""
        (target,) = arguments
        told = planned(target)
        assert told.endswith("upslope demo"), told
        return self._upslope(["demo"])

    def _curl(self, arguments: list[str]) -> str:
        assert self._client is not None, "nothing is served yet"
        method, url, headers, content, files, output, head = None, "", {}, None, [], None, False
        left = iter(arguments)
        for word in left:
            if word in {"-s", "-sS", "--silent"}:
                continue
            if word in {"-i", "--include"}:
                head = True
            elif word in {"-X", "--request"}:
                method = next(left)
            elif word in {"-H", "--header"}:
                name, _, value = next(left).partition(":")
                headers[name] = value.strip()
            elif word == "--json":
                content = next(left)
                if content.startswith("@"):
                    content = Path(content[1:]).read_text(encoding="utf-8")
                headers["Content-Type"] = headers["Accept"] = "application/json"
            elif word in {"-F", "--form"}:
                name, _, value = next(left).partition("=")
                files.append((name, value))
            elif word in {"-o", "--output"}:
                output = Path(next(left))
            elif word.startswith("-"):
                raise ValueError(f"this curl does not know {word}")
            else:
                url = word
        upload = {
            name: (Path(value[1:]).name, Path(value[1:]).read_bytes())
            if value.startswith("@")
            else (None, value)
            for name, value in files
        }
        method = method or ("POST" if content is not None or files else "GET")
        response = self._client.request(method, url, headers=headers, content=content, files=upload or None)
        if output is not None:
            output.write_bytes(response.content)
            return ""
        told = response.text + "\n"
        if not head:
            return told
        lines = [f"HTTP/1.1 {response.status_code} {response.reason_phrase}"]
        shown = ("content-type", "etag", "location", "link")
        lines += [f"{name}: {response.headers[name]}" for name in shown if name in response.headers]
        return "\n".join([*lines, "", told if response.content else ""])


@contextmanager
def _closed_at_the_end() -> Iterator[None]:
    """A command's process would end and give its connections back; here that is done for it."""
    from service.db.transactions import Store

    opened: list[Store] = []
    original = Store.__init__

    def noted(store: Store, *given: Any, **named: Any) -> None:
        original(store, *given, **named)
        opened.append(store)

    with mock.patch.object(Store, "__init__", noted):
        yield
    for store in opened:
        store.close()


def _stages(text: str) -> list[list[str]]:
    """The words of each stage of a pipe."""
    stages: list[list[str]] = [[]]
    lexer = shlex.shlex(text, posix=True, punctuation_chars="|")
    lexer.whitespace_split = True
    lexer.commenters = ""
    for word in lexer:
        if word == "|":
            stages.append([])
        else:
            stages[-1].append(word)
    return stages


def _piped(words: list[str], told: str) -> str:
    program = sys.executable if words[0] in {"python", "python3"} else words[0]
    return subprocess.run(
        [program, *words[1:]], input=told, capture_output=True, text=True, check=True
    ).stdout


def planned(target: str) -> str:
    """What `make` would run for a target, at the end."""
    # It may itself be run by make, which then tells of folders.
    return subprocess.run(
        ["make", "--dry-run", "--no-print-directory", target],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    ).stdout.strip()


def shortened(answer: str, options: dict[str, str]) -> str:
    """The answer as a block shows it."""
    lines = settled(answer).splitlines()
    if "lines" in options and len(lines) > int(options["lines"]):
        lines = [*lines[: int(options["lines"])], "..."]
    return "\n".join(lines)


def retold(markdown: str, folder: Path, keep: Callable[[Path], None] | None = None) -> str:
    """The document with every answer as it is now.

    Parameters
    ----------
    markdown : str
    folder : Path
        Empty; where the session takes place.
    keep : callable, optional
        Called with the folder at the end, to take away what was drawn.
    """
    lines = markdown.splitlines()
    replaced: list[tuple[Block, list[str]]] = []
    with Session(folder).open() as session:
        for block in blocks(markdown):
            if "file" in block.options:
                Path(block.options["file"]).write_text(block.content, encoding="utf-8")
            if block.language != "console":
                continue
            told: list[str] = []
            for shown in commands(block.content):
                told += f"$ {shown.command}".splitlines()
                told += shortened(session.run(shown.command), block.options).splitlines()
            replaced.append((block, told))
        if keep is not None:
            keep(folder)
    for block, told in reversed(replaced):
        lines[block.first : block.last] = told
    return "\n".join(lines) + "\n"


def documents() -> list[Path]:
    """README and the pages of the guide that show commands."""
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(GUIDE.glob("*.md"))]
    return [page for page in pages if any(b.language == "console" for b in blocks(page.read_text("utf-8")))]
