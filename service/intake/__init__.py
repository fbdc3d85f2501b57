"""Bytes of CSV, XLSX and JSON to validated rows and findings; no database."""
