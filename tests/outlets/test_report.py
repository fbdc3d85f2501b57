"""The report as paper and as a page: whatever it is told, it is printed, it means nothing, and it fits.

Sizes of paper: A4 210 x 297 mm (ISO 216), Letter 8.5 x 11 in (ANSI/ASME Y14.1), in points of 1/72 in.
"""

import io
import re
import struct
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PageObject, PdfReader

import service.outlets.report as place
from service.outlets.report.document import (
    NOT_RECORDED,
    Bullets,
    Column,
    Fact,
    Facts,
    Figure,
    Number,
    Report,
    Section,
    Table,
    Words,
)
from service.outlets.report.html import content_policy, html_of
from service.outlets.report.pdf import ABOUT_UNKNOWN_SIGNS, UNKNOWN_SIGN, known_signs, pdf_of

PAPERS = {"a4": (210 / 25.4 * 72, 297 / 25.4 * 72), "letter": (8.5 * 72, 11 * 72)}
SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="760" height="420"><rect width="760" height="420" fill="#eee"/></svg>'
HOSTILE = (
    "#strong[bold] #panic() $x^2$ @reference <label> *star* _under_ `raw` = heading\n"
    '- item\n+ item\n/ term: x\\ #import "/etc/passwd": * #sys.inputs // comment /* open '
    "<script>alert(1)</script> <img src=x onerror=alert(1)> {{ 7 * 7 }} {% raw %} &lt; ]]> \\u{41} \" ' \\"
)
#: Marks at which a line may, or may not, be broken.
UNSEEN = re.compile("[\N{ZERO WIDTH SPACE}\N{WORD JOINER}]")
MARGIN = 19 / 25.4 * 72


def report_of(text: str, *, one_page: bool = False, paper: Any = "a4", rows: int = 3) -> Report:
    """A report that says one text in every place that a text may stand."""
    side = "left" if one_page else "whole"
    return Report(
        title="Exercise test",
        about=(text, "second"),
        lead=(text,),
        numbers=(Number("37.3", "mL/kg/min", "most oxygen"), Number("178", "beats/min", "highest")),
        figures=(Figure(SVG, f"A chart of {text}"),),
        sections=(
            Section("Words", (Words(text), Words(text, "quiet"), Words(text, "note")), side),
            Section(
                "Facts", (Facts((Fact("Label", text), Fact("Other", NOT_RECORDED, "why")), long=True),), side
            ),
            Section(
                "Table",
                (
                    Table(
                        "A table",
                        (Column("First"), Column("Second", figures=True), Column("Third", share=2)),
                        tuple((f"row {number}", f"{number}.5", text) for number in range(rows)),
                    ),
                    Bullets((text,)),
                ),
                "right" if one_page else "whole",
            ),
        ),
        cautions=("Local rules decide.",),
        reference="Test abc",
        printed=date(2026, 11, 28),
        paper=paper,
        one_page=one_page,
    )


def pages_of(data: bytes) -> list[str]:
    """The text of each page, without the marks at which a line may break."""
    reader = PdfReader(io.BytesIO(data))
    return [UNSEEN.sub("", page.extract_text()) for page in reader.pages]


def squeezed(text: str) -> str:
    """A text without its spaces, for what was broken over lines."""
    return re.sub(r"\s", "", text)


@cache
def widths(weight: str) -> dict[str, float]:
    """Advance of each sign, in parts of the size of type, from the font's own tables."""
    data = (Path(place.__file__).parent / "fonts" / f"LiberationSans-{weight}.ttf").read_bytes()
    tables = {
        tag: start
        for tag, _, start, _ in (
            struct.unpack_from(">4sIII", data, 12 + 16 * number)
            for number in range(struct.unpack_from(">H", data, 4)[0])
        )
    }
    per_em = struct.unpack_from(">H", data, tables[b"head"] + 18)[0]
    count = struct.unpack_from(">H", data, tables[b"hhea"] + 34)[0]
    advances = [
        struct.unpack_from(">H", data, tables[b"hmtx"] + 4 * glyph)[0] / per_em for glyph in range(count)
    ]
    # The signs of ASCII stand in the font in their order, from glyph 3 on.
    return {chr(code): advances[code - 29] for code in range(32, 127)}


def outside_the_margins(data: bytes) -> list[str]:
    """Pieces of text that begin or end outside the margins of their page."""
    found: list[str] = []
    for page in PdfReader(io.BytesIO(data)).pages:
        page.extract_text(visitor_text=looking(page, found))
    return found


def looking(page: PageObject, found: list[str]) -> Callable[..., None]:
    """Notes each piece of a page that lies outside its margins."""
    right, top = float(page.mediabox.width), float(page.mediabox.height)

    def look(text: str, cm: list[float], tm: list[float], font: Any, size: float) -> None:
        del tm
        shown = UNSEEN.sub("", text).strip()
        if cm[0] != 1 or not shown:
            return  # part of a chart
        width_of = widths("Bold" if font["/BaseFont"].endswith("Bold") else "Regular")
        end = cm[4] + size * sum(width_of.get(sign, 0.6) for sign in shown)
        # A point for kerning, and for a space where two pieces were read as one.
        if cm[4] < MARGIN - 1 or end > right - MARGIN + 3 or not 20 < cm[5] < top - 20:
            found.append(shown)

    return look


@pytest.mark.parametrize("one_page", [True, False])
def test_hostile_text_is_printed_and_means_nothing(one_page):
    (text, *more) = pages_of(pdf_of(report_of(HOSTILE, one_page=one_page)))
    told = squeezed(" ".join([text, *more]))
    assert told.count(squeezed(HOSTILE)) >= 6
    page = html_of(report_of(HOSTILE, one_page=one_page))
    assert "<script>" not in page
    assert "<img src=x" not in page
    assert "7 * 7" in page


@settings(max_examples=25, deadline=None)
@given(st.text(max_size=400))
def test_any_text_can_be_printed(text):
    """PDF/A and PDF/UA refuse what the type does not have: nothing may be refused."""
    data = pdf_of(report_of(text))
    assert data.startswith(b"%PDF-")
    lacking = {sign for sign in text if sign not in known_signs() and sign not in "\n\r\t"}
    assert (ABOUT_UNKNOWN_SIGNS[2:40] in pages_of(data)[-1]) == bool(lacking or UNKNOWN_SIGN in text)
    Page(html_of(report_of(text)))


def test_a_sign_that_the_type_lacks_is_replaced_in_a_chart_too():
    """Titles of events stand in the chart of a trend."""
    drawn = SVG.replace(
        "</svg>", '<text x="9" y="40" font-family="Arial">flu \N{CJK UNIFIED IDEOGRAPH-6F22} #x</text></svg>'
    )
    report = replace(report_of("a note"), figures=(Figure(drawn, "A chart"),))
    assert ABOUT_UNKNOWN_SIGNS[2:40] in pages_of(pdf_of(report))[-1]
    assert "flu" in "".join(pages_of(pdf_of(report)))


@settings(max_examples=6, deadline=None)
@given(st.sets(st.sampled_from(sorted(known_signs())), min_size=100, max_size=400).map("".join))
def test_the_type_has_the_signs_it_is_said_to_have(signs):
    """The typesetter, asked for an archivable file, refuses a sign that has no glyph."""
    assert pdf_of(report_of(signs)).startswith(b"%PDF-")


@pytest.mark.parametrize("paper", list(PAPERS))
@pytest.mark.parametrize(
    ("part", "length"), [("W", 420), ("Wi ", 420), ("a_long_identifier_of_nothing ", 160), ("/", 300)]
)
def test_one_page_stays_one_page_and_nothing_runs_off_it(part, length, paper):
    text = (part * length)[:length]
    data = pdf_of(report_of(text, one_page=True, paper=paper))
    assert len(pages_of(data)) == 1
    assert outside_the_margins(data) == []


@pytest.mark.parametrize("text", ["W" * 4_000, "word " * 2_000, "x\n" * 600])
def test_a_long_note_takes_as_many_pages_as_it_needs(text):
    report = replace(
        report_of("short"),
        sections=(
            Section(
                "Notes",
                (Words(text), Table("A table", (Column("First"), Column("Note", share=2)), (("row", text),))),
            ),
        ),
    )
    data = pdf_of(report)
    told = squeezed("".join(pages_of(data)))
    assert len(pages_of(data)) > 3
    assert told.count(text[0]) >= 2 * text.count(text[0])
    assert outside_the_margins(data) == []


@pytest.mark.parametrize("paper", list(PAPERS))
@pytest.mark.parametrize("one_page", [True, False])
def test_paper_and_pages(paper, one_page):
    reader = PdfReader(
        io.BytesIO(pdf_of(report_of("a note", paper=paper, one_page=one_page, rows=3 if one_page else 90)))
    )
    for page in reader.pages:
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(
            PAPERS[paper], abs=0.01
        )
    count = len(reader.pages)
    assert (count == 1) == one_page
    for number, page in enumerate(reader.pages, start=1):
        text = page.extract_text()
        assert f"Page {number} of {count}" in text
        assert "Test abc" in text


def test_a_table_repeats_its_head_and_loses_no_row():
    pages = pages_of(pdf_of(report_of("third", rows=150)))
    assert len(pages) > 2
    rows = [int(found) for page in pages for found in re.findall(r"row (\d+)", page)]
    assert rows == list(range(150))
    assert all("First" in page for page in pages if "row " in page)


def test_what_a_screen_reader_and_an_archive_need():
    reader = PdfReader(io.BytesIO(pdf_of(report_of("a note"))))
    root: Any = reader.trailer["/Root"]
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"]
    assert reader.metadata is not None
    assert reader.metadata.title == "Exercise test"
    about = root["/Metadata"].get_data().decode()
    for claim in ("<pdfaid:part>2", "<pdfaid:conformance>A", "<pdfuaid:part>1"):
        assert claim in about
    fonts = {
        str(font.get_object()["/BaseFont"])
        for page in reader.pages
        for font in page["/Resources"]["/Font"].values()  # type: ignore[index]
    }
    assert all("LiberationSans" in font for font in fonts)
    assert "A chart of a note" in pictures_of(root)


def pictures_of(root: Any) -> str:
    """The words of every picture in the tree of the document."""
    found, waiting = [], [root["/StructTreeRoot"]]
    while waiting:
        one = waiting.pop().get_object()
        if isinstance(one, list):
            waiting += one
        elif hasattr(one, "get"):
            found.append(str(one.get("/Alt", "")))
            waiting += [one["/K"]] if "/K" in one and not isinstance(one["/K"], int) else []
    return " ".join(found)


@pytest.mark.parametrize("one_page", [True, False])
def test_the_same_report_gives_the_same_bytes(one_page):
    report = report_of("a note", one_page=one_page)
    assert pdf_of(report) == pdf_of(report)
    assert html_of(report) == html_of(report)
    assert pdf_of(report) != pdf_of(replace(report, printed=date(2026, 11, 29)))


class Page(HTMLParser):
    """Reads a page as strictly as its own rules are: every element closed, in order."""

    ALONE = frozenset({"meta", "link", "img", "br"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.headings: list[int] = []
        self.images: list[dict[str, str | None]] = []
        self.cells: list[int] = []
        self.attributes: set[str] = set()
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes |= {name for name, _ in attrs}
        if tag == "img":
            self.images.append(dict(attrs))
        if re.fullmatch(r"h\d", tag):
            self.headings.append(int(tag[1]))
        if tag == "tr":
            self.cells.append(0)
        if tag in {"td", "th"}:
            self.cells[-1] += 1
        if tag not in self.ALONE:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.mark.parametrize("one_page", [True, False])
def test_the_page_form_is_well_made(one_page):
    text = html_of(report_of(HOSTILE, one_page=one_page))
    page = Page(text)
    assert page.headings[0] == 1
    assert set(page.headings[1:]) == {2}
    assert all(one["alt"] and str(one["src"]).startswith("data:image/svg+xml") for one in page.images)
    assert set(page.cells) == {3}
    # Nothing that the policy of the answer forbids: no script, no style in an attribute, no handler.
    assert not {name for name in page.attributes if name == "style" or name.startswith("on")}
    assert "style-src 'sha256-" in content_policy()
    assert 'lang="en"' in text


def test_both_forms_say_the_same():
    report = report_of("a note of everything")
    printed = squeezed("".join(pages_of(pdf_of(report))))
    page = html_of(report)
    for section in report.sections:
        assert section.heading in page
        assert section.heading in printed
    # The page says it in its title and in the words of the picture too.
    assert printed.count(squeezed("a note of everything")) == 10
    assert page.count("a note of everything") == 12
