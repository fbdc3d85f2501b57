"""Bytes of CSV and XLSX files to validated rows, columns and findings with row and column; no database."""

from service.intake.options import ColumnChoice, ReadLimits, ReadOptions
from service.intake.reading import ReadColumn, TestFile, first_rows, read_test_file

__all__ = [
    "ColumnChoice",
    "ReadColumn",
    "ReadLimits",
    "ReadOptions",
    "TestFile",
    "first_rows",
    "read_test_file",
]
