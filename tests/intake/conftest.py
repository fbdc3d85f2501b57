"""Files made for the tests: invented numbers that look like a test, and nothing else."""

import io
from collections.abc import Callable, Sequence
from typing import Any

import pytest


def lines_of(rows: Sequence[Sequence[Any]], delimiter: str = ",") -> str:
    return "\r\n".join(delimiter.join(str(cell) for cell in row) for row in rows) + "\r\n"


@pytest.fixture
def csv_bytes() -> Callable[..., bytes]:
    """Rows to the bytes of a CSV file."""

    def make(rows: Sequence[Sequence[Any]], delimiter: str = ",", encoding: str = "utf-8") -> bytes:
        return lines_of(rows, delimiter).encode(encoding)

    return make


@pytest.fixture
def xlsx_bytes() -> Callable[..., bytes]:
    """Sheets of rows to the bytes of a workbook."""

    def make(**sheets: Sequence[Sequence[Any]]) -> bytes:
        import openpyxl

        book = openpyxl.Workbook()
        book.remove(book.active)
        for name, rows in sheets.items():
            sheet = book.create_sheet(name)
            for row in rows:
                sheet.append(list(row))
        stream = io.BytesIO()
        book.save(stream)
        return stream.getvalue()

    return make


@pytest.fixture
def table() -> Callable[..., list[list[Any]]]:
    """A plain step test in 15-s averages: header and rows."""

    def make(count: int = 40, **headers: str) -> list[list[Any]]:
        names = {
            "t": "time_s",
            "vo2": "VO2 (mL/min)",
            "vco2": "VCO2 (mL/min)",
            "ve": "VE (L/min)",
            "hr": "HR",
        } | headers
        rows: list[list[Any]] = [list(names.values())]
        for at in range(count):
            vo2 = 400 + 60 * at
            rows.append([15 * (at + 1), vo2, round(0.9 * vo2), round(0.026 * vo2, 1), 80 + 2 * at])
        return rows

    return make
