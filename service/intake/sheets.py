"""Bytes to rows of cells: what kind of file it is, its encoding, its delimiter, its sheets.

Nothing is understood here beyond the container; every limit on size is kept before anything large is built.
"""

import csv
import datetime as dt
import io
import re
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from service.errors import Place, RefusedFile, TooLarge, UnsupportedMediaType
from service.intake.options import ReadLimits

Cell = str | float | int | bool | dt.datetime | dt.date | dt.time | dt.timedelta
Rows = list[list[Any]]
SheetReader = Callable[[int | None], "Sheet"]

_MAGIC: tuple[tuple[bytes, str], ...] = (
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a PNG image"),
    (b"\xff\xd8\xff", "a JPEG image"),
    (b"GIF8", "a GIF image"),
    (b"\xd0\xcf\x11\xe0", "an old binary workbook (.xls) or a workbook with a password"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"BZh", "a bzip2 archive"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"Rar!", "a RAR archive"),
    (b"\xfd7zXZ", "an xz archive"),
    (b"RIFF", "a sound or video file"),
    (b"\x7fELF", "a program"),
    (b"MZ\x90", "a program"),
    (b"SQLite format 3", "a database"),
    (b"PAR1", "a Parquet file"),
    (b"{\\rtf", "an RTF document"),
)
_MARKUP = re.compile(rb"\s*(<\?xml|<!doctype|<html|<svg|<table|\{\s*[\"}]|\[\s*[\[{])", re.IGNORECASE)
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f\x7f]")
_USE = "Send the table as CSV text or as an .xlsx workbook."

DELIMITERS: tuple[tuple[str, str], ...] = ((",", "comma"), (";", "semicolon"), ("\t", "tab"), ("|", "bar"))


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table of cells.

    Attributes
    ----------
    rows : list of list
        The cells; row 1 of the file is at index 0, an empty cell is ``""``.
    name : str or None
        Of a workbook's sheet.
    encoding, delimiter : str or None
        Of a text file.
    """

    rows: Rows
    name: str | None = None
    encoding: str | None = None
    delimiter: str | None = None


def check_bytes(data: bytes, limits: ReadLimits) -> None:
    """Refuse what is empty, too large or plainly another kind of file."""
    if len(data) > limits.max_bytes:
        raise TooLarge(
            f"The file has {len(data):,} bytes; at most {limits.max_bytes:,} are read.",
            (Place("file", "Split the file, or export averages instead of single breaths."),),
        )
    if not data.strip(b"\x00\xef\xbb\xbf\xff\xfe \t\r\n"):
        raise RefusedFile("The file is empty.", (Place("file", "It holds no table. Export it again."),))
    for magic, kind in _MAGIC:
        if data.startswith(magic):
            raise UnsupportedMediaType(f"The file is {kind}, not a table. {_USE}", (Place("file", _USE),))
    if _MARKUP.match(data[:200].lstrip(b"\xef\xbb\xbf")):
        raise UnsupportedMediaType(f"The file is markup or JSON, not a table. {_USE}", (Place("file", _USE),))


def is_workbook(data: bytes) -> bool:
    """Whether the bytes are a zip archive, as a workbook is."""
    return data.startswith((b"PK\x03\x04", b"PK\x05\x06"))


# --- text ---------------------------------------------------------------------------------------------------------


def decode(data: bytes) -> tuple[str, str]:
    """The text of a CSV file and the name of its encoding.

    A byte order mark decides; then the pattern of zero bytes of UTF-16; then UTF-8 if it is valid; else
    Windows-1252, of which Latin-1 text is a part.
    """
    for mark, encoding in (
        (b"\xff\xfe\x00\x00", "utf-32"),
        (b"\xef\xbb\xbf", "utf-8-sig"),
        (b"\xff\xfe", "utf-16"),
        (b"\xfe\xff", "utf-16"),
    ):
        if data.startswith(mark):
            return _decoded(data, encoding), encoding.removesuffix("-sig")
    sample = data[:4096]
    even, odd = sample[0::2], sample[1::2]
    if odd.count(0) > 0.6 * len(odd) and even.count(0) < 0.05 * len(even):
        return _decoded(data, "utf-16-le"), "utf-16-le"
    if even.count(0) > 0.6 * len(even) and odd.count(0) < 0.05 * len(odd):
        return _decoded(data, "utf-16-be"), "utf-16-be"
    try:
        return _plain_text(data.decode("utf-8")), "utf-8"
    except UnicodeDecodeError:
        return _decoded(data, "cp1252"), "cp1252"


def _decoded(data: bytes, encoding: str) -> str:
    try:
        return _plain_text(data.decode(encoding))
    except UnicodeDecodeError as error:
        raise UnsupportedMediaType(
            f"The file is not text: it cannot be read as {encoding}. {_USE}",
            (Place("file", "Save it again as CSV in UTF-8."),),
        ) from error


def _plain_text(text: str) -> str:
    if _CONTROL.search(text):
        raise UnsupportedMediaType(f"The file holds control characters: it is not a text table. {_USE}")
    return text


def read_text(data: bytes, limits: ReadLimits, score: Callable[[Rows], float]) -> Sheet:
    """A CSV file as rows of text.

    Parameters
    ----------
    score : callable
        How much the first rows look like a table of a test; the delimiter that scores highest is taken.
    """
    text, encoding = decode(data)
    lines = text.splitlines()
    longest = max(range(len(lines)), key=lambda index: len(lines[index]))
    if len(lines[longest]) > limits.max_line_characters:
        raise TooLarge(
            f"Line {longest + 1} has {len(lines[longest]):,} characters; at most "
            f"{limits.max_line_characters:,} are read.",
            (Place("file", "A table of a test has no such line. Check the export.", row=longest + 1),),
        )
    sample = "\n".join(lines[:300])
    best, best_score = ",", -1.0
    for delimiter, _ in DELIMITERS:
        if delimiter not in sample:
            continue
        try:
            found = score(list(_split(sample, delimiter)))
        except csv.Error:
            continue
        if found > best_score:
            best, best_score = delimiter, found
    try:
        rows = list(_split(text, best))
    except csv.Error as error:
        raise RefusedFile(
            f"The file cannot be split into cells: {error}.",
            (Place("file", "A quotation mark may be open. Export the file again."),),
        ) from error
    return Sheet(check_shape(rows, limits), encoding=encoding, delimiter=best)


def _split(text: str, delimiter: str) -> Iterator[list[str]]:
    # Rows are numbered as a spreadsheet does, so blank lines stay in the list.
    return csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)


def check_shape(rows: Rows, limits: ReadLimits) -> Rows:
    """Refuse a table with too many columns; rows are counted once it is known which hold data."""
    for number, row in enumerate(rows, start=1):
        if len(row) > limits.max_columns and sum(cell != "" for cell in row) > limits.max_columns:
            raise TooLarge(
                f"Row {number} has {len(row):,} columns; at most {limits.max_columns:,} are read.",
                (Place("file", "Export fewer columns.", row=number),),
            )
    return rows


# --- workbooks ----------------------------------------------------------------------------------------------------

#: All sheets together may span as much as so many sheets of the largest size.
_SHEETS_OF_MOST_CELLS = 4
# Attribute values that may be a row number or the reference of a cell, and those that name a far column. Every
# pattern here takes time in proportion to the text, whatever the text is.
_NUMBERS = re.compile(rb"=\s*[\"'][A-Za-z]*(\d+)[\"']")
_WIDE = re.compile(rb"=\s*[\"']([A-Za-z]{2,})\d")
_ROW_BEGINS = re.compile(rb"[<:]row\b")
_EMPTY_CELL = re.compile(rb"<c r=[\"'][A-Za-z]{1,3}\d{1,9}[\"'](?: s=[\"']\d{1,6}[\"'])? ?/>")
_EMPTY_ROW = re.compile(rb"<row [^<>]{0,300}(?:/>|></row>)")


def read_workbook(data: bytes, limits: ReadLimits) -> dict[str, SheetReader]:
    """The sheets of an XLSX workbook by name, each read when called with a number of rows, or None for all.

    The archive is looked at first: declared and real sizes of every part, and the outermost cell of each
    sheet, since a cell in the last row and column makes a dense table of 17 thousand million cells.
    """
    from python_calamine import CalamineError, load_workbook

    _check_archive(data, limits)
    try:
        workbook = load_workbook(io.BytesIO(data))
        names = list(workbook.sheet_names)
    except (CalamineError, OSError, ValueError) as error:
        raise _broken(error) from error

    def reader(name: str) -> SheetReader:
        def read(first: int | None) -> Sheet:
            try:
                # Empty cells before the table stay, so that row numbers are those of the spreadsheet.
                rows = workbook.get_sheet_by_name(name).to_python(skip_empty_area=False, nrows=first)
            except (CalamineError, OSError, ValueError) as error:
                raise _broken(error) from error
            return Sheet(check_shape(rows, limits), name=name)

        return read

    return {name: reader(name) for name in names}


def _broken(error: Exception) -> RefusedFile:
    return RefusedFile(
        f"The workbook cannot be read: {error}.",
        (Place("file", "Open it in a spreadsheet program and save it again as .xlsx."),),
    )


def _check_archive(data: bytes, limits: ReadLimits) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            _check_directory(entries, limits)
            left, cells = limits.max_uncompressed_bytes, 0
            for entry in entries:
                unpacked, spanned = _check_entry(archive, entry, left, limits)
                left, cells = left - unpacked, cells + spanned
                if cells > _SHEETS_OF_MOST_CELLS * limits.max_cells:
                    raise _too_many_cells(cells, limits)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, ValueError) as error:
        raise _broken(error) from error


def _check_directory(entries: list[zipfile.ZipInfo], limits: ReadLimits) -> None:
    """What the archive says of itself, before anything is unpacked."""
    if not any(entry.filename == "xl/workbook.xml" for entry in entries):
        raise UnsupportedMediaType(f"The file is a zip archive but not an .xlsx workbook. {_USE}")
    if any(entry.flag_bits & 1 for entry in entries):
        raise UnsupportedMediaType("The workbook is encrypted. Save it without a password.")
    declared = sum(entry.file_size for entry in entries)
    if declared > limits.max_uncompressed_bytes:
        raise _too_large_unpacked(declared, limits)


def _too_many_cells(cells: int, limits: ReadLimits) -> TooLarge:
    return TooLarge(
        f"The sheets of the workbook span {cells:,} cells; at most {limits.max_cells:,} are read from one.",
        (Place("file", "Save the sheet of the test alone, or as CSV."),),
    )


def _too_large_unpacked(size: int, limits: ReadLimits) -> TooLarge:
    return TooLarge(
        f"The workbook unpacks to {size:,} bytes or more; at most {limits.max_uncompressed_bytes:,} are read.",
        (Place("file", "Save the sheet of the test alone, or as CSV."),),
    )


def _check_entry(
    archive: zipfile.ZipFile, entry: zipfile.ZipInfo, left: int, limits: ReadLimits
) -> tuple[int, int]:
    """Unpack one part piece by piece, counting what really comes out; look at the extent of a sheet.

    Returns
    -------
    unpacked : int
        Bytes.
    spanned : int
        Cells from the first to the outermost one, 0 for what is no sheet.
    """
    sheet = entry.filename.startswith("xl/worksheets/") and entry.filename.endswith(".xml")
    held = bytearray()
    unpacked = 0
    with archive.open(entry) as stream:
        while piece := stream.read(1 << 20):
            unpacked += len(piece)
            if unpacked > left:
                raise _too_large_unpacked(limits.max_uncompressed_bytes - left + unpacked, limits)
            if sheet:
                held += piece
    return unpacked, _check_extent(bytes(held), limits) if sheet else 0


def _all_numbered(xml: bytes) -> bool:
    """Whether every cell begins with its reference; counting is fast where searching is not."""
    others = sum(xml.count(b"<" + name) for name in (b"co", b"cf", b"ce", b"cu"))
    cells = xml.count(b"<c") - others
    return (
        b":c " not in xml
        and b":c>" not in xml
        and cells == xml.count(b'<c r="') + xml.count(b"<c r='")
        and xml.count(b"<row ") == xml.count(b'<row r="') + xml.count(b"<row r='")
        and b"<row>" not in xml
    )


def _check_extent(xml: bytes, limits: ReadLimits) -> int:
    if b"\x00" in xml:
        raise UnsupportedMediaType(f"A sheet of the workbook is not UTF-8. {_USE}")
    first, last = xml.find(b"sheetData"), xml.rfind(b"sheetData")
    inner = xml[first:last] if last > first >= 0 else xml
    last_row, last_column = _extent(inner)
    if not _fits(last_row, last_column, limits):
        # Cells that are formatted but empty reach far in many workbooks, and do not count.
        inner = _EMPTY_ROW.sub(b"", _EMPTY_CELL.sub(b"", inner))
        last_row, last_column = _extent(inner)
    if _fits(last_row, last_column, limits):
        return last_row * last_column
    raise TooLarge(
        f"A sheet of the workbook reaches row {last_row:,} and column {last_column:,}; at most "
        f"{limits.max_rows:,} rows, {limits.max_columns:,} columns and {limits.max_cells:,} cells are read.",
        (Place("file", "Delete what stands far from the table, split it, or save the sheet as CSV."),),
    )


def _extent(xml: bytes) -> tuple[int, int]:
    """A row and a column that no cell of a sheet lies beyond; they may be larger than the outermost cell's."""
    last_row = max((int(found[:18]) for found in set(_NUMBERS.findall(xml))), default=0)
    last_column = max((_column(found) for found in set(_WIDE.findall(xml))), default=26)
    if not _all_numbered(xml):
        # A cell without a reference stands after the one before it, so that counting bounds its place.
        parts = _ROW_BEGINS.split(xml)
        last_row += len(parts) - 1
        last_column = max(last_column, *(part.count(b"<c") + part.count(b":c") for part in parts))
    return last_row, last_column


def _fits(last_row: int, last_column: int, limits: ReadLimits) -> bool:
    return (
        last_row <= limits.max_rows + 1000
        and last_column <= limits.max_columns
        and last_row * max(last_column, 1) <= limits.max_cells
    )


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters[:8].upper():
        number = number * 26 + letter - 64
    return number
