"""A real training study of three arms in four rounds, imported as a cohort through the public interface.

Source: Sylta et al., Med Sci Sports Exerc 2016;48:2165-2174, doi 10.1249/MSS.0000000000001007 (data CC0, not kept
here). The dates and codes are invented. Everything is worked a second time with pandas, scipy and statsmodels. The
study has no untrained arm: that one of its arms is the reference here says nothing about training.
"""

import math

import numpy as np
import pandas as pd
import pytest
import scipy.stats
import statsmodels.formula.api as smf

DATES = {"pre": "2014-01-06", "meso1": "2014-02-10", "meso2": "2014-03-17", "meso3": "2014-04-21"}
PEAK = "vo2_peak_ml_min"


@pytest.fixture(scope="module")
def table(open_data):
    found = pd.read_csv(open_data("cycling_training") / "cyclingstudy.csv")
    return found.assign(code="K-" + found["subject"].astype(int).astype(str).str.zfill(2)).rename(
        columns={"VO2.max": "peak"}
    )


@pytest.fixture(scope="module")
def wide(table):
    """One row a cyclist: arm, and the peak in each round."""
    return table.pivot_table(index=["code", "group"], columns="timepoint", values="peak").reset_index()


@pytest.fixture(scope="module")
def cohort(wire, table, tmp_path_factory):
    manifest = pd.DataFrame(
        {
            "subject": table["code"],
            "date": table["timepoint"].map(DATES),
            "mode": "cycle",
            "round": table["timepoint"],
            "age_years": table["age"],
            "body_mass_kg": table["weight.T1"],
            PEAK: table["peak"],
        }
    ).dropna(subset=[PEAK])
    file = tmp_path_factory.mktemp("cohort") / "manifest.csv"
    manifest.to_csv(file, index=False)
    wire.upslope("import", "--manifest", file)
    ids = {one["code"]: one["id"] for one in wire.get("/v1/subjects", limit=100)["items"]}
    made = wire.ask("POST", "/v1/cohorts", 201, json={"name": "Cyclists"})["id"]
    arms = table.drop_duplicates("code").set_index("code")["group"]
    wire.ask(
        "PUT",
        f"/v1/cohorts/{made}/members",
        json=[{"subject_id": ids[code], "arm": arm} for code, arm in arms.items()],
    )
    return f"/v1/cohorts/{made}"


def test_each_round_agrees_with_pandas(wire, cohort, table):
    found = wire.get(f"{cohort}/summary", quantity=PEAK)
    assert list(dict.fromkeys(row["round"] for row in found["rounds"])) == list(DATES)
    members = table.drop_duplicates("code").groupby("group").size()
    for row in found["rounds"]:
        values = table[(table["group"] == row["arm"]) & (table["timepoint"] == row["round"])]["peak"].dropna()
        assert (row["n"], row["missing"]) == (len(values), members[row["arm"]] - len(values))
        told = [row[name] for name in ("mean", "sd", "median", "q1", "q3")]
        quartiles = [values.quantile(p) for p in (0.25, 0.75)]
        assert told == pytest.approx([values.mean(), values.std(), values.median(), *quartiles], rel=1e-12)


@pytest.mark.parametrize("later", ["meso1", "meso3"])
def test_paired_change_agrees_with_pandas_and_scipy(wire, cohort, wide, later):
    found = wire.get(
        f"{cohort}/change", quantity=PEAK, **{"from": "pre", "to": later, "reference_arm": "MIX"}
    )
    for arm in found["arms"]:
        rows = wide[wide["group"] == arm["arm"]]
        both = rows.dropna(subset=["pre", later])
        change = both[later] - both["pre"]
        assert (arm["n"], arm["mean"], arm["sd"]) == (
            len(both),
            pytest.approx(change.mean()),
            pytest.approx(change.std()),
        )
        interval = scipy.stats.ttest_rel(both[later], both["pre"]).confidence_interval(0.95)
        assert (arm["ci_low"], arm["ci_high"]) == pytest.approx((interval.low, interval.high))
        in_percent = scipy.stats.ttest_1samp(np.log(both[later] / both["pre"]), 0).confidence_interval(0.95)
        assert (arm["percent_ci_low"], arm["percent_ci_high"]) == pytest.approx(
            (100 * math.expm1(in_percent.low), 100 * math.expm1(in_percent.high))
        )
        assert {one["code"] for one in arm["missing"]} == set(rows["code"]) - set(both["code"])


@pytest.mark.parametrize("arm", ["INCR", "DECR"])
def test_differences_between_arms_agree_with_scipy_and_statsmodels(wire, cohort, wide, arm):
    found = wire.get(
        f"{cohort}/change",
        quantity=PEAK,
        **{"from": "pre", "to": "meso3", "reference_arm": "MIX", "arm": arm},
    )
    both = wide[wide["group"].isin([arm, "MIX"])].dropna(subset=["pre", "meso3"])
    both = both.assign(change=both["meso3"] - both["pre"], is_arm=(both["group"] == arm).astype(int))
    first, second = (both[both["is_arm"] == which]["change"] for which in (1, 0))
    welch = scipy.stats.ttest_ind(first, second, equal_var=False).confidence_interval(0.95)
    assert (found["difference"]["ci_low"], found["difference"]["ci_high"]) == pytest.approx(
        (welch.low, welch.high)
    )
    fitted = smf.ols("meso3 ~ is_arm + pre", both).fit()
    adjusted = found["baseline_adjusted"]
    assert adjusted["value"] == pytest.approx(fitted.params["is_arm"])
    assert (adjusted["ci_low"], adjusted["ci_high"]) == pytest.approx(tuple(fitted.conf_int().loc["is_arm"]))
    assert adjusted["slope"]["value"] == pytest.approx(fitted.params["pre"])
    fitted = smf.ols("np.log(meso3) ~ is_arm + np.log(pre)", both).fit()
    assert adjusted["percent"] == pytest.approx(100 * math.expm1(fitted.params["is_arm"]))
    variance = first.var() - second.var()
    response = found["individual_response_sd"]
    assert response["value"] == pytest.approx(math.copysign(math.sqrt(abs(variance)), variance))
    half = 1.959964 * math.sqrt(
        2 * (first.var() ** 2 / (len(first) - 1) + second.var() ** 2 / (len(second) - 1))
    )
    assert [response["ci_low"], response["ci_high"]] == pytest.approx(
        [math.copysign(math.sqrt(abs(limit)), limit) for limit in (variance - half, variance + half)],
        rel=1e-5,
    )


def test_several_arms_have_to_be_named(wire, cohort):
    found = wire.get(f"{cohort}/change", quantity=PEAK, **{"from": "pre", "to": "meso3"})
    assert found["reference_arm"] == "DECR"
    assert any("the first by name, since none is called control" in note for note in found["notes"])
    assert found["difference"]["value"] is None
    assert [one["difference"]["arm"] for one in found["comparisons"]] == ["INCR", "MIX"]
