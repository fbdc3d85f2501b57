"""Cells that a spreadsheet must not run (OWASP ASVS 5.0, 1.2.10)."""

import pytest

from service.outlets.cells import inert


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\tx", "'\tx"),
        ("leak at the mask", "leak at the mask"),
        (-1.5, -1.5),
        (None, None),
        ("", ""),
    ],
)
def test_only_a_text_that_would_be_a_formula_is_changed(value, expected):
    assert inert(value) == expected
