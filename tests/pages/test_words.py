"""Every sentence for people stands in one place; numbers and dates in templates go through the filters."""

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

import service

SERVICE = Path(service.__file__).parent
TEMPLATES = sorted((SERVICE / "pages" / "templates").glob("*.html"))
MODULES = sorted([*(SERVICE / "pages").glob("*.py"), *(SERVICE / "outlets").rglob("*.py")])
#: Between two pieces that are not one text.
BREAK = "\0"
ATTRIBUTES = re.compile(r'(?:alt|aria-label|title|placeholder)="([^"]*)"')


def of_template(text: str) -> str:
    """What a reader of the page sees, and what is read out to those who do not."""
    text = re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}|<(script|style).*?</\1>", BREAK, text, flags=re.DOTALL)
    return re.sub(r"<[^>]*>", lambda tag: BREAK + BREAK.join(ATTRIBUTES.findall(tag.group())) + BREAK, text)


def of_module(text: str) -> str:
    """The string constants of a module without its docstrings."""
    tree = ast.parse(text)
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, documented) and node.body and isinstance(node.body[0], ast.Expr)
    }
    return BREAK.join(
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings
    )


def sentences(text: str) -> Iterator[str]:
    """Sentences of six words or more, and parts of one of eight or more."""
    for piece in re.split(rf"(?<=[.;:?!])\s+|{BREAK}", re.sub(r"[ \n\t]+", " ", text)):
        words = piece.strip(" .;:?!,()")
        least = 6 if words[:1].isupper() else 8
        if len(re.findall(r"[A-Za-z']+", words)) >= least and not re.fullmatch(r"[\w./{}-]+", words):
            yield words.lower()


def test_no_sentence_stands_in_two_places():
    places: dict[str, set[str]] = defaultdict(set)
    for path in TEMPLATES:
        for one in sentences(of_template(path.read_text(encoding="utf-8"))):
            places[one].add(path.name)
    for path in MODULES:
        for one in sentences(of_module(path.read_text(encoding="utf-8"))):
            places[one].add(str(path.relative_to(SERVICE)))
    assert len(places) > 300, "the words were found at all"
    twice = {words: sorted(where) for words, where in places.items() if len(where) > 1}
    assert not twice, "a sentence of several places belongs in outlets/phrases.py or in a macro"


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("<p>Nobody is in the record yet, add one.</p>", ["nobody is in the record yet, add one"]),
        ("<p>Nobody is {{ here }} in the record yet.</p>", []),
        ('<img alt="One two three four five six.">', ["one two three four five six"]),
        ("<p>and so on</p><p>to the very end of</p>", []),
    ],
)
def test_sentences_are_found_in_a_template(text, found):
    assert list(sentences(of_template(text))) == found


#: What writes a number or a date without the filters.
PAST_THE_FILTERS = re.compile(
    r"strftime|\.date\(\) \}\}|%\.?\d*[fge][^a-z]|\| ?format|\| ?round\b(?!.*\| ?int)|\.show\("
)


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.stem)
def test_numbers_and_dates_go_through_the_filters(path):
    for expression in re.findall(r"\{\{.*?\}\}", path.read_text(encoding="utf-8"), re.DOTALL):
        assert not PAST_THE_FILTERS.search(expression), expression


@pytest.mark.parametrize(
    "expression", ['{{ "%.1f" | format(x) }}', '{{ at.strftime("%d") }}', "{{ q.show(x) }}"]
)
def test_what_goes_past_the_filters_is_found(expression):
    assert PAST_THE_FILTERS.search(expression)
