"""Files that are none, and files made to do harm: each gets a clear refusal, quickly."""

import contextlib
import io
import random
import time
import zipfile

import pytest

from service.errors import RefusedFile, TooLarge, UnsupportedMediaType, UpslopeError
from service.intake import ReadLimits, read_test_file

HEADER = "time_s,VO2 (mL/min)\n"


def archive(**parts):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as out:
        for name, content in parts.items():
            out.writestr(name.replace("__", "/"), content)
    return stream.getvalue()


def with_sheet(workbook, sheet_xml):
    """The workbook with its first sheet replaced."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook)) as source,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as out,
    ):
        for name in source.namelist():
            out.writestr(name, sheet_xml if name == "xl/worksheets/sheet1.xml" else source.read(name))
    return stream.getvalue()


def sheet_of(inner):
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        f"<sheetData>{inner}</sheetData></worksheet>"
    )


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"%PDF-1.7\n%\xe2\xe3", "PDF"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "PNG"),
        (b"\xff\xd8\xff\xe0\x00\x10JFIF", "JPEG"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 500, "old binary workbook"),
        (b"\x1f\x8b\x08\x00", "gzip"),
        (b"SQLite format 3\x00", "database"),
        (b"<html><body><table></table></body></html>", "markup"),
        (b'<?xml version="1.0"?><a/>', "markup"),
        (b'{"intervals": []}', "JSON"),
        (b"PK\x05\x06" + b"\x00" * 18, "not an .xlsx"),
        (bytes(range(256)) * 10, "not text"),
        (b"time_s,HR\n30,1\x0100\n", "control characters"),
        (b"a\x81b,c\n1,2", "not text"),
    ],
)
def test_another_kind_of_file(data, words):
    with pytest.raises(UnsupportedMediaType, match=words):
        read_test_file(data, "test.csv")


@pytest.mark.parametrize("seed", range(20))
def test_binary_noise(seed):
    noise = random.Random(seed).randbytes(5000)
    with pytest.raises(UpslopeError):
        read_test_file(noise, "noise.csv")


def test_zips_that_are_no_workbook():
    with pytest.raises(UnsupportedMediaType, match="zip archive"):
        read_test_file(archive(**{"a.csv": HEADER}), "test.zip")
    with pytest.raises(UnsupportedMediaType, match="zip archive"):
        read_test_file(archive(**{"xl__workbook.bin": "x"}), "test.xlsb")


@pytest.mark.parametrize("cut", [0.3, 0.6, 0.9, 0.99])
def test_a_workbook_cut_short(table, xlsx_bytes, cut):
    data = xlsx_bytes(a=table())
    with pytest.raises(RefusedFile, match="cannot be read"):
        read_test_file(data[: int(len(data) * cut)], "test.xlsx")


@pytest.mark.parametrize("seed", range(25))
def test_a_workbook_with_broken_bytes_is_refused_or_read(table, xlsx_bytes, seed):
    numbers = random.Random(seed)
    data = bytearray(xlsx_bytes(a=table()))
    for _ in range(5):
        data[numbers.randrange(len(data))] = numbers.randrange(256)
    with contextlib.suppress(UpslopeError):
        assert len(read_test_file(bytes(data), "test.xlsx").series) == 40


@pytest.mark.parametrize(
    "text",
    [
        "",
        " \n\n",
        "\ufeff",
        "\n",
        ";;;\n;;;\n",
        HEADER,
        HEADER + "\n\n",
        HEADER + ",\n",
        "time_s\n1\n2\n",
        "just words\n",
    ],
)
def test_nothing_to_read(text):
    with pytest.raises(RefusedFile) as caught:
        read_test_file(text.encode("utf-8"), "test.csv")
    assert caught.value.errors


def test_no_time_column():
    with pytest.raises(RefusedFile, match="Which column holds the time") as caught:
        read_test_file(b"VO2 (mL/min),HR\n1000,100\n1100,110\n", "test.csv")
    assert "'HR'" in caught.value.errors[0].message


def test_an_empty_workbook(xlsx_bytes):
    with pytest.raises(RefusedFile, match="empty"):
        read_test_file(xlsx_bytes(a=[]), "test.xlsx")


def test_an_overlong_line_and_a_million_columns():
    with pytest.raises(TooLarge, match="Line 2"):
        read_test_file((HEADER + "1," + "9" * 200_000).encode(), "test.csv")
    with pytest.raises(TooLarge, match="Line 1"):
        read_test_file((",".join(["VO2"] * 1_000_000) + "\n").encode(), "test.csv")
    with pytest.raises(TooLarge, match="columns"):
        read_test_file((HEADER + "1" * 40 + ",1" * 30_000).encode(), "test.csv")


def test_an_open_quotation_mark():
    text = HEADER + '30,1000\n60,"1100\n' + "90,1200\n" * 20_000
    with pytest.raises(UpslopeError):
        read_test_file(text.encode(), "test.csv")


def test_one_row_more_than_the_limit():
    text = HEADER + "".join(f"{at},1000\n" for at in range(1, 200_002))
    with pytest.raises(TooLarge, match="200,001 rows"):
        read_test_file(text.encode(), "test.csv")


# --- workbooks made to do harm ------------------------------------------------------------------------------------


def test_a_bomb_by_declared_size(table, xlsx_bytes):
    data = with_sheet(xlsx_bytes(a=table()), sheet_of("<row r='1'>" + " " * 30_000_000 + "</row>"))
    assert len(data) < 100_000
    with pytest.raises(TooLarge, match="unpacks to"):
        read_test_file(data, "bomb.xlsx", limits=ReadLimits(max_uncompressed_bytes=20_000_000))


def test_a_bomb_that_lies_about_its_size(table, xlsx_bytes):
    data = bytearray(with_sheet(xlsx_bytes(a=table()), sheet_of(" " * 3_000_000)))
    true_size = len(sheet_of(" " * 3_000_000)).to_bytes(4, "little")
    assert data.count(true_size) >= 2
    lying = bytes(data).replace(true_size, (1000).to_bytes(4, "little"))
    with pytest.raises(RefusedFile, match="cannot be read"):
        read_test_file(lying, "bomb.xlsx", limits=ReadLimits(max_uncompressed_bytes=1_000_000))


@pytest.mark.parametrize(
    "inner",
    [
        '<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="XFD1048576"><v>1</v></c></row>',
        '<row r="1"><c r="A1"><v>1</v></c><c r="XFD1"><v>1</v></c></row>',
        "<row r='1'><c r='A1'><v>1</v></c><c r='XFD1048576'><v>1</v></c></row>",
        '<row r="1"><c r="A1"><v>1</v></c><c r = "xfd1048576"><v>1</v></c></row>',
        '<row r="1"><c t="n" r="A1"><v>1</v></c><c t="n"\nr="A1048576"><v>1</v></c></row>',
        "<row>"
        + "<c/>" * 50_000
        + "<c><v>1</v></c></row>"
        + "<row/>" * 50_000
        + "<row><c><v>1</v></c></row>",
    ],
)
def test_a_cell_far_away_does_not_make_a_table_of_thousands_of_millions(table, xlsx_bytes, inner):
    with pytest.raises(TooLarge, match="reaches row"):
        read_test_file(with_sheet(xlsx_bytes(a=table()), sheet_of(inner)), "far.xlsx")


@pytest.mark.parametrize(
    "data",
    [
        (HEADER + "," * 90_000 + "\n").encode(),
        (HEADER + "_" * 90_000 + "\n").encode(),
        ("time_s," + "VO2 " * 20_000 + "\n").encode(),
        (HEADER + "[" * 90_000 + "\n").encode(),
        (HEADER + "30," + "1," * 40_000 + "\n").encode(),
        (HEADER + "30," + "1 000 " * 15_000 + "\n").encode(),
        b"<" * 90_000,
    ],
)
def test_texts_made_to_take_long_are_refused_at_once(data):
    began = time.process_time()
    with pytest.raises(UpslopeError):
        read_test_file(data, "slow.csv")
    assert time.process_time() - began < 2.0


@pytest.mark.parametrize(
    "inner",
    ["<c " * 300_000, "<c r='A1' " * 100_000, "=" + " " * 1_000_000, "<row " * 200_000, "<row r='" * 100_000],
)
def test_sheets_made_to_take_long_are_refused_at_once(table, xlsx_bytes, inner):
    data = with_sheet(xlsx_bytes(a=table()), sheet_of(inner))
    began = time.process_time()
    with pytest.raises(UpslopeError):
        read_test_file(data, "slow.xlsx")
    assert time.process_time() - began < 2.0


def test_formatted_but_empty_cells_far_away_are_no_reason_to_refuse(table, xlsx_bytes):
    rows = []
    for number, row in enumerate(table(), start=1):
        cells = "".join(
            f'<c r="{"ABCDE"[at]}{number}" t="inlineStr"><is><t>{cell}</t></is></c>'
            if number == 1
            else f'<c r="{"ABCDE"[at]}{number}"><v>{cell}</v></c>'
            for at, cell in enumerate(row)
        )
        rows.append(f'<row r="{number}">{cells}</row>')
    rows.append('<row r="1048576"><c r="A1048576" s="0"/></row>')
    data = with_sheet(xlsx_bytes(a=table()), sheet_of("".join(rows)))
    assert len(read_test_file(data, "test.xlsx").series) == 40


def test_cells_without_references_are_read(table, xlsx_bytes):
    rows = []
    for number, row in enumerate(table()):
        kind = 't="inlineStr"' if number == 0 else ""
        inner = (lambda cell: f"<is><t>{cell}</t></is>") if number == 0 else (lambda cell: f"<v>{cell}</v>")
        rows.append("<row>" + "".join(f"<c {kind}>{inner(cell)}</c>" for cell in row) + "</row>")
    data = with_sheet(xlsx_bytes(a=table()), sheet_of("".join(rows)))
    assert len(read_test_file(data, "test.xlsx").series) == 40


def test_many_sheets_that_reach_far_are_too_many_cells(table):
    import openpyxl

    book = openpyxl.Workbook()
    for number in range(8):
        sheet = book.create_sheet(f"s{number}")
        sheet["A1"] = 1
        sheet.cell(row=900, column=100, value=1)
    stream = io.BytesIO()
    book.save(stream)
    with pytest.raises(TooLarge, match="sheets of the workbook span"):
        read_test_file(stream.getvalue(), "far.xlsx", limits=ReadLimits(max_cells=100_000))
