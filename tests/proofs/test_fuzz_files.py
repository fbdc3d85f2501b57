"""Files made of good ones by changes at random: read, or refused with a reason, and nothing else."""

import random
import time

import pytest

from service.errors import UpslopeError
from service.intake.reading import read_test_file
from tests.proofs.hostile_files import csv_of, good, workbook

_PIECES = (
    b"",
    b",",
    b";",
    b"\n",
    b'"',
    b"\x00",
    b"=",
    b"-",
    b"e9",
    b"\xff",
    b"NaN",
    b"9" * 50,
    b"%s",
    b"<",
    b"&x;",
    b" (L/min)",
)


def changed(data: bytes, chance: random.Random) -> bytes:
    """One to eight changes: bytes overwritten, cut out, put in, repeated, swapped."""
    made = bytearray(data)
    for _ in range(chance.randint(1, 8)):
        at = chance.randrange(max(1, len(made)))
        to = min(len(made), at + chance.choice((1, 2, 8, 64, 1024)))
        match chance.randrange(5):
            case 0:
                made[at:to] = chance.randbytes(to - at)
            case 1:
                del made[at:to]
            case 2:
                made[at:at] = chance.choice(_PIECES)
            case 3:
                made[at:at] = made[at:to] * chance.choice((1, 2, 50))
            case _:
                made[at:to] = made[at:to][::-1]
    return bytes(made)


@pytest.mark.parametrize("tries", [150, pytest.param(6000, marks=pytest.mark.proof)], ids=["quick", "full"])
def test_a_changed_file_is_read_or_refused(tries, figures):
    chance = random.Random(tries)
    origins = [("a.csv", csv_of(good())), ("a.csv", csv_of(good(), mark=";")), ("a.xlsx", workbook())]
    read, refused, silent, slowest = 0, 0, 0, 0.0
    for number in range(tries):
        name, data = origins[number % len(origins)]
        file = changed(data, chance)
        began = time.process_time()
        try:
            made = read_test_file(file, name)
        except UpslopeError as error:
            refused += 1
            silent += not error.detail
        else:
            read += 1
            assert (made.series.duration_s > 0).all(), number
            assert (made.series.end_s[1:] > made.series.end_s[:-1]).all(), number
        slowest = max(slowest, time.process_time() - began)
    assert slowest < 20.0
    assert silent == 0
    assert read > tries / 100
    assert refused > tries / 20
    figures(
        "fuzzed-files",
        f"{tries} changed files: {read} read, {refused} refused with a reason, slowest {slowest:.1f} s",
    )
