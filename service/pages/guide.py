"""The user's guide: Markdown pages shipped with the program, with the catalogues written in."""

import html
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from markdown_it import MarkdownIt
from markdown_it.renderer import RendererHTML
from markdown_it.token import Token

from service import errors
from service.analysis.ageing import AGEING_MODELS
from service.analysis.references import REFERENCES, citation
from service.analysis.rule_sets import LIMITS
from service.analysis.screening import STOP_SIGNS
from service.db import migrate
from service.errors import UpslopeError
from service.findings import FINDINGS
from service.http.problems import FRAMEWORK, status_of
from service.intake.manifest import COLUMNS
from service.intake.measures import MEASURES
from service.intake.terms import known_terms
from service.methods.catalogue import METHODS
from service.methods.method import Input, Method
from service.outlets.tables import TABLES
from service.quantities import QUANTITIES, TypicalError
from service.reference.protocols import STANDARD_PROTOCOLS
from service.reference.tables import builtin_norms
from service.settings import Settings

#: Pages in the order in which they are read, by what they are for; a page that is not named here comes last.
CONTENTS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "To read",
        (
            "index",
            "preparing",
            "recording",
            "importing",
            "judgement",
            "breaths",
            "plateau-rates",
            "thresholds",
            "threshold-accuracy",
            "standing",
            "change",
            "comparing",
            "report",
            "reliability",
            "cohorts",
            "export",
            "api",
            "dashboards",
            "deployment",
            "backup",
            "site",
            "privacy",
            "promises",
            "scale",
            "cautions",
        ),
    ),
    (
        "To look up",
        ("glossary", "findings", "errors", "methods", "quantities", "protocols", "settings", "sources"),
    ),
)
ORDER: tuple[str, ...] = tuple(name for _, names in CONTENTS for name in names)


@dataclass(frozen=True, slots=True)
class GuidePage:
    """One page.

    Attributes
    ----------
    name : str
        Last part of its address.
    title : str
    markdown, html : str
    """

    name: str
    title: str
    markdown: str
    html: str


def _cell(text: object) -> str:
    return str(text).replace("|", "\\|").replace("\n", " ")


def _table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    lines += ["| " + " | ".join(_cell(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines)


def _entry(anchor: str, title: str, *paragraphs: str) -> str:
    """A part of a generated list that can be linked to."""
    return "\n\n".join([f'<h3 id="{anchor}">{html.escape(title)}</h3>', *paragraphs]) + "\n"


#: What each kind of error means, and what the reader does.
_TOLD: dict[str, str] = {
    "internal-error": "A fault of the service. Nothing was stored. Ask again once; if it stays, the log of the server says more "
    "under the `X-Request-Id` of the answer.",
    "unauthenticated": "No key, or one that is wrong, expired or revoked. Send `Authorization: Bearer KEY`; `upslope keys list` "
    "shows which keys there are.",
    "forbidden": "The scope of the key does not cover this. Ask for a key with the scope that `detail` names.",
    "not-found": "There is no such thing, or the key is limited to other subjects. Check the id and whose key it is.",
    "conflict": "The request is right by itself, but not for the record as it stands: a void test, a test that is still being "
    "recorded. Read the record again and decide.",
    "duplicate-code": "Another subject has this code. Use that subject, or choose another code.",
    "file-already-imported": "The same file was imported into this visit with other options; `test_id` names the test. "
    "To read it anew with the new options, import it with `replace=true`.",
    "holds-data": "Only what is empty can be deleted; `holds` has the counts. Void a test instead of deleting it.",
    "interval-not-after-last": "A recorded interval must follow the last stored one. Read the intervals and post what is new.",
    "gone": "That part of the feed of changes is no longer kept. Read the record anew and go on from its end.",
    "link-ended": "The link to a chart expired, or was revoked by itself or with the key that made it. Ask whoever made it for a "
    "new one.",
    "stale-revision": "Somebody changed the record after you read it. Read it again, and repeat your change on what it is now.",
    "precondition-required": "This site wants every change to say which state it changes. Send the ETag you read as `If-Match`.",
    "too-large": "More bytes, rows or columns than the [settings](/guide/settings) allow. Export averages instead of single "
    "breaths, split the file, or have the setting raised.",
    "unsupported-media-type": "A file or body of a kind this service does not read. Save a file as CSV or XLSX; send JSON as "
    "`application/json`.",
    "unreadable-body": "The body is not what its content type says. Check that it is whole and valid JSON.",
    "too-many-requests": "Wait as many seconds as `Retry-After` says.",
    "invalid-content": "Readable, but not acceptable. Each entry of `errors` names a field and what it must be. An unknown field "
    "or parameter is refused too, so that a slip in a name is not lost.",
    "refused-file": "The file cannot be read without guessing, or holds what cannot be. Each entry of `errors` has the place and "
    "what to do; see [when a file is refused](/guide/importing#when-a-file-is-refused).",
    "idempotency-key-reused": "This `Idempotency-Key` was used for other content. Make a new key for each new request.",
    "method-not-allowed": "The address exists, but does not take this method. The [reference](/docs) lists what it takes.",
    "not-acceptable": "The address cannot answer in the form that was asked for; `detail` lists its forms.",
    "record-unavailable": "The database cannot answer just now; nothing was stored. `detail` says what ails it. Ask again, and "
    "if it stays so, tell whoever runs the service.",
    "database-unusable": "The file cannot be opened, or is no record of this service. Check `UPSLOPE_DATABASE_URL`; "
    "restore a [copy](/guide/backup) if it is damaged.",
    "database-too-new": "A newer version of the program wrote this record. Use that version, or a copy from before.",
    "migration-failed": "The schema could not be brought to the newest; everything was undone. Keep the copy made before.",
}


def error_kinds() -> list[type[UpslopeError]]:
    """Every kind of error of the service, in the order of the tree."""

    def below(kind: type[UpslopeError]) -> list[type[UpslopeError]]:
        return [kind, *(deeper for child in kind.__subclasses__() for deeper in below(child))]

    # Of the service alone, whatever else in this process derives from the tree.
    return [kind for kind in below(UpslopeError) if kind.__module__ in {errors.__name__, migrate.__name__}]


def _errors_list() -> str:
    parts = [
        _entry(kind.slug, kind.title, f"Status {status_of(kind(''))}, `{kind.slug}`.", _TOLD[kind.slug])
        for kind in error_kinds()
    ]
    known = {kind.slug for kind in error_kinds()}
    parts += [
        _entry(slug, title, f"Status {status}, `{slug}`.", _TOLD[slug])
        for status, (slug, title) in FRAMEWORK.items()
        if slug not in known
    ]
    return "\n".join(parts)


def _findings_list() -> str:
    parts = []
    for severity, title in (("error", "Errors"), ("warning", "Warnings"), ("info", "For information")):
        parts.append(f"## {title}\n")
        parts += [
            _entry(
                kind.code, kind.title, f"`{kind.code}`. {kind.meaning}", f"**What to do:** {kind.what_to_do}"
            )
            for kind in FINDINGS.values()
            if kind.severity == severity
        ]
    return "\n".join(parts)


def _range(limits: tuple[float, float] | None) -> str:
    return "" if limits is None else f"{limits[0]:g} to {limits[1]:g}"


def _input(one: Input) -> str:
    told = [one.label.lower(), one.unit, ", ".join(one.choices)]
    if one.valid is not None:
        told.append(f"developed for {_range(one.valid)}")
    if one.optional:
        told.append("may be left out" if one.default is None else f"{one.default:g} if left out")
    fields = "".join(f", each row with `{field.name}`" for field in one.fields)
    return f"- `{one.name}`: {', '.join(part for part in told if part)}{fields}"


def _sentence(text: str) -> str:
    return text if text.endswith(".") else f"{text}."


def _standard_error(one: Method) -> str:
    if one.standard_error is None:
        return ""
    if isinstance(one.standard_error, float | int):
        return f" Standard error {one.standard_error:g} {one.unit}."
    told = ", ".join(f"{error:g} {one.unit} ({whose})" for whose, error in one.standard_error.items())
    return f" Standard error {told}."


def _method(one: Method) -> str:
    return _entry(
        one.id,
        one.label,
        f"`{one.id}`, gives {one.unit or 'a ratio'}. {one.validity}{_standard_error(one)}{' ' + one.notes if one.notes else ''}",
        "\n".join(_input(given) for given in one.inputs),
        f"Source: {_sentence(citation(one.source))} Trust: {one.trust}.",
    )


def _methods_table() -> str:
    return _table(
        ["Method", "What it gives", "Unit", "Trust"],
        [[f"[`{one.id}`](#{one.id})", one.label, one.unit or "-", one.trust] for one in METHODS.values()],
    )


def _methods_list() -> str:
    return "\n".join(_method(one) for one in METHODS.values())


def _quantities_table() -> str:
    return _table(
        ["Quantity", "Means", "Unit", "Possible", "Typical error"],
        [
            [
                f"`{one.key}`",
                one.label,
                one.unit or "-",
                _range(one.hard) or "-",
                _typical_error(one.typical_error, one.unit),
            ]
            for one in QUANTITIES.values()
        ],
    )


def _typical_error(error: TypicalError | None, unit: str) -> str:
    if error is None:
        return "-"
    return f"{error.value:g} {'%' if error.scale == 'log' else unit} ({error.source})"


def _settings_table() -> str:
    return _table(
        ["Variable", "Default", "Meaning"],
        [
            [
                f"`{one['name']}`",
                f"`{one['default']}`" if one["default"] != "" else "empty",
                one["description"],
            ]
            for one in Settings.described()
        ],
    )


_REFERENCE_WORDS = {
    "population_table": "percentiles",
    "population_summary": "mean and SD, so a percentile by normal approximation",
    "median_only": "medians only: above or below, and per cent of the median",
}


def _rule_limits() -> str:
    return _table(
        ["Criterion", "Compared as", "From", "To", "Because"],
        [
            [f"`{kind}`", how.replace("_", " "), f"{low:g}", f"{high:g}", why]
            for (kind, how), (low, high, why) in LIMITS.items()
        ],
    )


def _norms_list() -> str:
    parts = []
    for table in builtin_norms():
        told: dict[str, Any] = table.as_document()
        effort = (
            "asks for no exchange ratio"
            if told["rer_least"] is None
            else f"asks for a highest RER of at least {told['rer_least']:.1f}"
        )
        parts.append(
            _entry(
                told["id"],
                told["name"],
                f"`{told['id']}`, {told['mode']}. Holds {_REFERENCE_WORDS[told['reference']]}; {effort}.",
                f"Whom it covers: {told['population']}. {told['notes']}",
                f"Source: {_sentence(citation(told['source']))} Trust: {told['trust']}.",
            )
        )
    return "\n".join(parts)


def _terms_table() -> str:
    rows = []
    for name, terms in known_terms().items():
        units = ", ".join(choice.text for choice in MEASURES[name].units if choice.text)
        rows.append([", ".join(f"`{key}`" for key in MEASURES[name].keys), ", ".join(terms), units or "-"])
    return _table(["Read as", "Headers that say so", "Units told apart"], rows)


def _manifest_columns() -> str:
    return ", ".join(f"`{name}`" for name in COLUMNS)


def _protocols_table() -> str:
    return _table(
        ["Protocol", "Name", "Mode", "Shape", "Family", "Stages", "Source"],
        [
            [
                f"`{one.id}`",
                one.name,
                one.mode,
                one.shape,
                one.family or "-",
                len(one.stages),
                citation(one.source),
            ]
            for one in STANDARD_PROTOCOLS.values()
        ],
    )


def _export_tables() -> str:
    rows = [
        [f"`{table.name}`", table.description, ", ".join(f"`{name}`" for name in names)]
        for table in TABLES
        if (names := dict.fromkeys(column.name for column in table.columns))
    ]
    return _table(["Table", "What a row is", "Columns of all profiles"], rows)


def _sources_list() -> str:
    return "\n".join(
        _entry(
            one.key,
            one.key,
            f"{one.text}{f' doi {one.doi}.' if one.doi else ''}",
            f"How we have it: {one.trust}." if one.trust else "",
        )
        for one in sorted(REFERENCES.values(), key=lambda one: one.key)
    )


def _stop_signs() -> str:
    rows = [
        [
            one.label,
            "to stop at once" if one.listed == "absolute" else "to consider it",
            _sentence(f"Published lists name {one.said}"),
            citation(one.source),
        ]
        for one in STOP_SIGNS
    ]
    return _table(["Sign", "Among the reasons", "What the lists say", "Source"], rows)


def _ageing_models() -> str:
    rows = [
        (
            f"`{model.id}`",
            ", ".join(QUANTITIES[key].label for key in model.quantities),
            f"{', '.join(model.modes) or 'any mode'}; {' and '.join(model.sexes)}; {model.ages[0]:g} to {model.ages[1]:g} years",
            model.design.replace("_", " "),
            f"{model.source} ({model.trust})",
        )
        for model in AGEING_MODELS.values()
    ]
    return _table(("Model", "Of", "For", "From", "Source"), rows)


#: What a page may have written in by the line ``{{ name }}``.
INSERTS: dict[str, Callable[[], str]] = {
    "ageing_models": _ageing_models,
    "errors": _errors_list,
    "export_tables": _export_tables,
    "findings": _findings_list,
    "manifest_columns": _manifest_columns,
    "methods": _methods_list,
    "methods_table": _methods_table,
    "norms": _norms_list,
    "protocols": _protocols_table,
    "quantities": _quantities_table,
    "settings": _settings_table,
    "rule_limits": _rule_limits,
    "sources": _sources_list,
    "stop_signs": _stop_signs,
    "terms": _terms_table,
}

_INSERT = re.compile(r"^\{\{ (\w+) \}\}$", re.MULTILINE)


def anchor_of(heading: str) -> str:
    """The anchor of a heading: its words in lower case with hyphens between."""
    return re.sub(r"[^a-z0-9]+", "-", heading.lower()).strip("-")


def _heading_open(renderer: RendererHTML, tokens: Sequence[Token], at: int, options: Any, env: Any) -> str:
    tokens[at].attrSet("id", anchor_of(tokens[at + 1].content))
    return renderer.renderToken(tokens, at, options, env)


#: A number and its unit, which are not parted at the end of a line.
_NUMBER_AND_UNIT = re.compile(r"(\d) (?=(?:%|s|min|h|W|kg|km/h|mL|L|MiB|mmol|mmHg|beats|MET)\b|%)")


def _text(renderer: RendererHTML, tokens: Sequence[Token], at: int, options: Any, env: Any) -> str:
    del renderer, options, env
    return _NUMBER_AND_UNIT.sub("\\1\u00a0", html.escape(tokens[at].content, quote=False))


def _table_open(renderer: RendererHTML, tokens: Sequence[Token], at: int, options: Any, env: Any) -> str:
    del renderer, options, env
    number = sum(token.type == "table_open" for token in tokens[: at + 1])
    return f'<div class="wide" tabindex="0" role="region" aria-label="Table {number}"><table>\n'


def _fence(renderer: RendererHTML, tokens: Sequence[Token], at: int, options: Any, env: Any) -> str:
    return renderer.fence(tokens, at, options, env).replace("<pre>", '<pre tabindex="0">', 1)


def _renderer() -> MarkdownIt:
    # HTML is allowed: the pages are the project's own, and anchors of findings and errors are HTML.
    markdown = MarkdownIt("commonmark", {"html": True}).enable("table")
    markdown.add_render_rule("heading_open", _heading_open)
    markdown.add_render_rule("text", _text)
    # What is wide scrolls by itself and not with the page; with the keyboard too.
    markdown.add_render_rule("table_open", _table_open)
    markdown.add_render_rule("table_close", lambda *_: "</table></div>\n")
    markdown.add_render_rule("fence", _fence)
    return markdown


@cache
def pages() -> dict[str, GuidePage]:
    """All pages by name, in the order of `ORDER`.

    Raises
    ------
    KeyError
        A page asks for an insert that there is not.
    """
    renderer = _renderer()
    answer: dict[str, GuidePage] = {}
    folder = files("service.pages") / "guide"
    found = [entry.name.removesuffix(".md") for entry in folder.iterdir() if entry.name.endswith(".md")]
    places = {name: place for place, name in enumerate(ORDER)}
    for name in sorted(found, key=lambda one: (places.get(one, len(places)), one)):
        markdown = (folder / f"{name}.md").read_text(encoding="utf-8")
        markdown = _INSERT.sub(lambda match: INSERTS[match.group(1)](), markdown)
        first = markdown.lstrip().splitlines()[0]
        answer[name] = GuidePage(name, first.lstrip("# ").strip(), markdown, renderer.render(markdown))
    return answer


def contents() -> list[tuple[str, list[GuidePage]]]:
    """The pages by what they are for, for the column beside the text."""
    known = pages()
    answer = [(heading, [known[name] for name in names if name in known]) for heading, names in CONTENTS]
    answer[-1][1].extend(page for name, page in known.items() if name not in ORDER)
    return answer
