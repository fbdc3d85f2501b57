"""Real breath-by-breath files read without any mapping.

Data: Nolte, Rein, Quittmann, Sports Med 2023, doi 10.1007/s40279-023-01903-3 (CC-BY 4.0): 36 treadmill ramp tests.
"""

import csv
import gzip
import os
from pathlib import Path

import pytest

from service.errors import RefusedFile
from service.intake import read_test_file

DATA = Path(os.environ.get("UPSLOPE_OPEN_DATA", Path(__file__).parents[2] / "../shared/data"))
BREATHS = DATA / "running_ramp" / "breaths.csv.gz"

pytestmark = pytest.mark.skipif(not BREATHS.exists(), reason="the open data set running_ramp is not here")


@pytest.fixture(scope="module")
def lines():
    return gzip.decompress(BREATHS.read_bytes()).decode().splitlines()


@pytest.mark.parametrize("test_id", [1, 28, 34])
def test_one_test_reads_without_mapping_and_to_the_last_digit(lines, test_id):
    own = [line for line in lines[1:] if line.startswith(f"{test_id},")]
    data = "\n".join([lines[0], *own]).encode()
    rows = list(csv.DictReader([lines[0], *own]))

    test_file = read_test_file(data, "breaths.csv")

    series = test_file.series
    assert series.end_s.tolist() == [float(row["time_s"]) for row in rows]
    for key, column, factor in (
        ("vo2_ml_min", "vo2_l_min", 1000.0),
        ("vco2_ml_min", "vco2_l_min", 1000.0),
        ("speed_km_h", "speed_kmh", 1.0),
        ("grade_percent", "grade_pct", 1.0),
        ("tidal_volume_l", "vt_exp_l", 1.0),
    ):
        assert series.channels[key].tolist() == [float(row[column]) * factor for row in rows], key
    assert test_file.breath_by_breath
    assert test_file.row_numbers == tuple(range(2, len(rows) + 2))
    unused = {column.header for column in test_file.columns if column.quantity is None}
    assert unused == {"test_id", "t_exp_s", "vt_insp_l", "t_insp_s"}


def test_all_tests_in_one_file_are_asked_about(lines):
    with pytest.raises(RefusedFile, match="36 tests"):
        read_test_file("\n".join(lines).encode(), "breaths.csv")
