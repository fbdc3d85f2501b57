"""A real longitudinal record: 20 cyclists in 4 rounds, imported as reported results from a manifest.

Source: Sylta et al., Med Sci Sports Exerc 2016;48:2165-2174, doi 10.1249/MSS.0000000000001007 (data CC0, not kept
here). The file names rounds and no days: the dates below are invented, 5 weeks apart, as is the prefix of the codes.
What the trend says is compared with pandas' own reading of the file, and its intervals with scipy.
"""

import re
from collections import Counter
from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy import stats

#: Invented.
DATES = {"pre": "2014-01-06", "meso1": "2014-02-10", "meso2": "2014-03-17", "meso3": "2014-04-21"}
#: Column of the file, and what it is here.
RESULTS = {"VO2.max": "vo2_peak_ml_min", "RER.max": "rer_max", "HF.max": "heart_rate_max_bpm"}
#: Project default, on the logarithmic scale; DeCato 2018 found a coefficient of variation of 4.9 %.
TYPICAL_ERROR_PERCENT = 5.0


@pytest.fixture(scope="module")
def table(open_data):
    found = pd.read_csv(open_data("cycling_training") / "cyclingstudy.csv")
    return found.assign(
        code="C-" + found["subject"].astype(int).astype(str), date=found["timepoint"].map(DATES)
    )


def manifest_of(table):
    return pd.DataFrame(
        {
            "subject": table["code"],
            "date": table["date"],
            "mode": "cycle",
            "round": table["timepoint"],
            "age_years": table["age"],
            "body_mass_kg": table["weight.T1"],
            "height_cm": table["height.T1"],
            "notes": table["comment"],
            **{quantity: table[column] for column, quantity in RESULTS.items()},
        }
    )


@pytest.fixture(scope="module")
def told(wire, table, tmp_path_factory):
    """What the command says of the import."""
    file = tmp_path_factory.mktemp("cyclists") / "manifest.csv"
    manifest_of(table).to_csv(file, index=False)
    return wire.upslope("import", "--manifest", file, status=1)


@pytest.fixture(scope="module")
def subjects(wire, told):
    return {one["code"]: one["id"] for one in wire.get("/v1/subjects", limit=100)["items"]}


@pytest.fixture(scope="module")
def trends(wire, subjects, table):
    """Points of each subject and quantity, by round."""
    rounds = {day: name for name, day in DATES.items()}

    def points(code, quantity):
        (series,) = wire.get(f"/v1/subjects/{subjects[code]}/trends/{quantity}")["series"]
        assert (series["mode"], series["basis"], series["protocol_family"]) == ("cycle", "reported", None)
        return {rounds[point["date"]]: point for point in series["points"]}

    return {
        (code, quantity): points(code, quantity)
        for code in table["code"].unique()
        for quantity in RESULTS.values()
    }


def test_what_is_missing_is_refused_by_row_and_the_rest_stored(told, table):
    empty = table.index[table[list(RESULTS)].isna().all(axis=1)]
    assert len(empty) == 4
    assert "76 stored, 0 known already, 4 refused." in told.stdout
    refused = {int(row) for row in re.findall(r"^Refused row (\d+)", told.stderr, re.MULTILINE)}
    # A spreadsheet counts the header as row 1.
    assert refused == {int(at) + 2 for at in empty}
    assert told.stderr.count("The row names no file and has no result.") >= 4


def test_every_value_of_the_file_is_in_the_trend_and_nothing_else(trends, table):
    stored = 0
    for column, quantity in RESULTS.items():
        for code, rows in table.groupby("code"):
            known = rows.dropna(subset=[column]).set_index("timepoint")[column].to_dict()
            points = trends[code, quantity]
            assert {name: point["value"] for name, point in points.items()} == known
            stored += len(points)
    assert stored == 3 * 76 - 1  # one heart rate is missing in a round with an uptake


def test_uptake_per_body_mass_is_made_of_the_same_round(wire, subjects, table):
    for code in ("C-1", "C-8", "C-21"):
        rows = table[table["code"] == code].dropna(subset=["VO2.max"])
        (series,) = wire.get(f"/v1/subjects/{subjects[code]}/trends/vo2_peak_ml_kg_min")["series"]
        expected = (rows["VO2.max"] / rows["weight.T1"]).to_numpy()
        assert [point["value"] for point in series["points"]] == pytest.approx(expected, rel=1e-12)
        assert [point["body_mass_kg"] for point in series["points"]] == rows["weight.T1"].tolist()
        # A reported cycle test has a median to stand against and no percentile; without a sex not even that.
        assert {point["percentile"] for point in series["points"]} == {None}


def test_a_lost_decimal_point_is_kept_told_and_not_counted(wire, trends, table):
    (at,) = table.index[(table["code"] == "C-8") & (table["timepoint"] == "pre")]
    assert table.loc[at, "RER.max"] == 110
    points = trends["C-8", "rer_max"]
    assert (points["pre"]["value"], points["pre"]["counted"]) == (110.0, False)
    assert [points[name]["counted"] for name in ("meso1", "meso2", "meso3")] == [True] * 3
    # Changes start from the first that counts.
    assert points["meso3"]["change_from_first"]["from_date"] == DATES["meso1"]

    analysis = wire.analysis(points["pre"]["test_id"])
    (error,) = (one for one in analysis["findings"] if one["severity"] == "error")
    assert (error["code"], error["row"], error["column"]) == ("reported_beyond_limit", at + 2, "rer_max")
    assert "110" in error["message"]
    assert "(0.5 to 2.2)" in error["message"]
    assert analysis["maxima"]["rer"] is None
    assert "110" in analysis["maxima"]["reasons"]["rer"]
    # The other results of that day stand.
    assert trends["C-8", "vo2_peak_ml_min"]["pre"]["counted"]
    others = [
        point["counted"]
        for (code, quantity), found in trends.items()
        for name, point in found.items()
        if (code, quantity, name) != ("C-8", "rer_max", "pre")
    ]
    assert all(others)


def test_comments_are_kept_with_their_tests(wire, trends, table):
    with_comment = table.dropna(subset=["comment", "VO2.max"])
    assert len(with_comment) > 10
    for _, row in with_comment.iterrows():
        test = trends[row["code"], "vo2_peak_ml_min"][row["timepoint"]]["test_id"]
        assert wire.get(f"/v1/tests/{test}")["notes"] == row["comment"].strip()


def test_the_same_manifest_again_doubles_nothing(wire, told, subjects, table, tmp_path):
    file = tmp_path / "manifest.csv"
    manifest_of(table)[:21].to_csv(file, index=False)
    again = wire.upslope("import", "--manifest", file)
    assert "0 stored, 21 known already, 0 refused." in again.stdout
    codes = [one["code"] for one in wire.get("/v1/subjects", limit=100)["items"]]
    assert sum(code.startswith("C-") for code in codes) == 20
    assert len(wire.get(f"/v1/subjects/{subjects['C-1']}/visits")["items"]) == 4
    assert len(wire.get(f"/v1/subjects/{subjects['C-1']}/trends/rer_max")["series"][0]["points"]) == 4


def test_a_shorter_manifest_with_the_same_tests_doubles_nothing(wire, table, tmp_path):
    rows = manifest_of(table[table["code"] == "C-9"].assign(code="D-9")).dropna(subset=["rer_max"])
    file = tmp_path / "manifest.csv"
    for manifest, said in ((rows, "3 stored, 0 known already"), (rows[1:], "0 stored, 2 known already")):
        manifest.to_csv(file, index=False)
        assert said in wire.upslope("import", "--manifest", file).stdout


def test_paired_change_from_before_to_after_training(trends, table):
    """Facts of the file: 19 people have both rounds; mean +262.2, SD 243.7 mL/min."""
    points = {code: trends[code, "vo2_peak_ml_min"] for code in table["code"].unique()}
    changes = [
        one["meso3"]["value"] - one["pre"]["value"]
        for one in points.values()
        if {"pre", "meso3"} <= one.keys()
    ]
    assert len(changes) == 19
    assert np.mean(changes) == pytest.approx(262.2, abs=0.05)
    assert np.std(changes, ddof=1) == pytest.approx(243.7, abs=0.05)
    told = [one["meso3"]["change_from_first"]["absolute"] for one in points.values() if "meso3" in one]
    assert told == pytest.approx(changes, rel=1e-12)


def test_intervals_of_change_are_those_of_log_normal_error(trends, table):
    """Worked anew: ln(later/earlier) +- 1.96 sqrt(2) ln(1.05), back on the scale of the value."""
    half = stats.norm.ppf(0.975) * np.sqrt(2) * np.log1p(TYPICAL_ERROR_PERCENT / 100)
    verdicts = Counter()
    for code in table["code"].unique():
        points = trends[code, "vo2_peak_ml_min"]
        first = points["pre"]["value"]
        for name in ("meso1", "meso2", "meso3"):
            if name not in points:
                continue
            change, value = points[name]["change_from_first"], points[name]["value"]
            low, high = np.exp(np.log(value / first) + np.array([-half, half]))
            assert change["percent"] == pytest.approx(100 * (value / first - 1), rel=1e-9)
            assert change["percent_ci_low"] == pytest.approx(100 * (low - 1), rel=1e-9)
            assert change["percent_ci_high"] == pytest.approx(100 * (high - 1), rel=1e-9)
            assert change["ci_low"] == pytest.approx(first * (low - 1), rel=1e-9)
            assert change["ci_high"] == pytest.approx(first * (high - 1), rel=1e-9)
            expected = "improved" if low > 1 else "declined" if high < 1 else "within_error"
            assert change["verdict"] == expected
            verdicts[expected] += 1
    # One person's change of 12 % is within the error of two tests, however clear the mean of 19 people.
    assert verdicts == {"within_error": 55, "declined": 1}


def test_slope_is_the_least_squares_line_through_the_days(wire, subjects, table):
    for code in ("C-3", "C-8", "C-9"):
        rows = table[table["code"] == code].dropna(subset=["VO2.max"])
        days = [date.fromisoformat(day).toordinal() for day in rows["date"]]
        slope = stats.linregress(days, rows["VO2.max"]).slope * 365.25
        (series,) = wire.get(f"/v1/subjects/{subjects[code]}/trends/vo2_peak_ml_min")["series"]
        assert series["slope_per_year"] == pytest.approx(slope, rel=1e-6)
        assert series["best"] == rows["VO2.max"].max()
