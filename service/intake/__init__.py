"""Bytes of CSV and XLSX files to validated rows, columns and findings with row and column; no database."""

from service.intake.manifest import ManifestRow, read_manifest
from service.intake.options import ColumnChoice, ReadLimits, ReadOptions
from service.intake.reading import ReadColumn, TestFile, first_rows, read_test_file

__all__ = [
    "ColumnChoice",
    "ManifestRow",
    "ReadColumn",
    "ReadLimits",
    "ReadOptions",
    "TestFile",
    "first_rows",
    "read_manifest",
    "read_test_file",
]
