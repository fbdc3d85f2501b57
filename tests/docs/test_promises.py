"""The table of promises names tests that there are, and says what the proofs say."""

import re

import pytest

from tests.proofs import table

ROWS = re.findall(r"^\| (.+?) \| `(.+?)` \| (.+?) \|$", table.PAGE.read_text(encoding="utf-8"), re.MULTILINE)


def test_every_promise_has_its_row():
    assert [(words, test) for words, test, _ in ROWS] == [(one.words, one.test) for one in table.PROMISES]


@pytest.mark.parametrize("promise", table.PROMISES, ids=lambda one: one.words)
def test_the_test_that_proves_it_is_there(promise):
    path, _, name = promise.test.partition("::")
    place = table.ROOT / path
    assert place.exists()
    if name:
        assert f"def {name}(" in place.read_text(encoding="utf-8")
    if promise.figures and place.is_file():
        assert promise.figures.removesuffix("-sqlite").removesuffix("-postgresql") in place.read_text(
            encoding="utf-8"
        )
