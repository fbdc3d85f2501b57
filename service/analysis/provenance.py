"""Where the numbers of an analysis come from: the source of every one that does not carry its own.

Thresholds, slopes, predictions, ranks, criteria and estimates name their sources themselves. The parts here hold many
numbers side by side, so the source of each stands in one mapping beside them, under the name of its field.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from service.methods.catalogue import METHODS

_AVERAGE = "midgley_2007; martin_rincon_2020; the window is the setting of this analysis, 30 s a default of this project"
_IN_THE_WINDOW = "mean over the window of the peak, of values as recorded (common practice, no source)"
_HIGHEST = "highest mean over the window stated beside it, of values as recorded (project default)"
_RECORDED = "as recorded"
_NOTED = "as noted at the stages"
_RECORDED_OR_NOTED = "as noted at the stages and recorded in them"
_MARKS = "between the marks of the test"
_COUNTED = "counted in the rows of the test"
_EQUIVALENT = "ventilation over gas flow, a ratio of means, at its lowest over 60 s in exercise (common practice, no source)"
_BREATHING = "ats_accp_2003 (value from memory)"
_VOLUMES = "consolazio_1963; wagner_2002"
_HALDANE = "consolazio_1963"


def _of(method: str) -> str:
    return METHODS[method].source


#: Part of the analysis -> field -> source. Text without a citation key says that there is none.
SOURCES: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "peak": {
            **dict.fromkeys(
                (
                    "vo2_ml_min",
                    "window_s",
                    "window_breaths",
                    "effective_window_s",
                    "start_s",
                    "end_s",
                    "covered_fraction",
                ),
                _AVERAGE,
            ),
            **dict.fromkeys(
                (
                    "heart_rate_bpm",
                    "ve_l_min",
                    "respiratory_rate_per_min",
                    "work_rate_w",
                    "speed_km_h",
                    "grade_percent",
                ),
                _IN_THE_WINDOW,
            ),
            "vo2_ml_kg_min": _of("vo2_per_body_mass"),
            "mets": _of("metabolic_equivalents"),
            "rer": _of("respiratory_exchange_ratio"),
            "o2_pulse_ml_beat": _of("o2_pulse"),
        },
        "maxima": {
            **dict.fromkeys(("heart_rate_bpm", "ve_l_min"), _HIGHEST),
            "rer": f"{_of('respiratory_exchange_ratio')}; edvardsen_2014 (means of 30 s)",
            **dict.fromkeys(("work_rate_w", "speed_km_h"), _RECORDED),
            "rpe": "borg_1982",
            **dict.fromkeys(("lactate_mmol_l", "systolic_mmhg"), _NOTED),
            "exercise_duration_s": _MARKS,
            "windows_s": "project default",
        },
        "lactate": {
            "stages": _RECORDED_OR_NOTED,
            "baseline_mmol_l": "the lowest of the stages (project default)",
            "curve": "bishop_1998 (definition from memory)",
        },
        "blood_pressure": {
            **dict.fromkeys(("resting_systolic_mmhg", "resting_diastolic_mmhg"), "as recorded at the visit"),
            **dict.fromkeys(("highest_systolic_mmhg", "highest_diastolic_mmhg", "readings"), _NOTED),
            **dict.fromkeys(
                ("systolic_rise_mmhg", "diastolic_change_mmhg", "largest_fall_mmhg"),
                "difference of two readings (common practice, no source)",
            ),
            **dict.fromkeys(
                ("systolic_rise_per_met_mmhg", "rise_per_met_ci_low_mmhg", "rise_per_met_ci_high_mmhg"),
                "least squares over the stages (common practice, no source)",
            ),
        },
        "gas_exchange": {
            "stpd_factor": _VOLUMES,
            "btps_factor": _VOLUMES,
            "btps_to_stpd_factor": _VOLUMES,
            **dict.fromkeys(("lowest_ve_vo2", "lowest_ve_vco2"), _EQUIVALENT),
            **dict.fromkeys(
                (
                    "peak_ve_vo2",
                    "peak_ve_vco2",
                    "peak_tidal_volume_l",
                    "peak_peto2_mmhg",
                    "peak_petco2_mmhg",
                ),
                _IN_THE_WINDOW,
            ),
            **dict.fromkeys(
                ("highest_tidal_volume_l", "highest_petco2_mmhg", "lowest_spo2_percent"),
                "mean over 30 s in exercise, of values as recorded (project default)",
            ),
            **dict.fromkeys(("haldane_vo2_difference_percent", "haldane_vco2_difference_percent"), _HALDANE),
        },
        "reserves": {
            "heart_rate_reserve_bpm": _of("karvonen_heart_rate"),
            "mvv_l_min": _BREATHING,
            "breathing_reserve_percent": _BREATHING,
            "breathing_reserve_l_min": _BREATHING,
        },
        "recovery": dict.fromkeys(
            (
                "heart_rate_end_bpm",
                "heart_rate_60s_bpm",
                "heart_rate_120s_bpm",
                "drop_60s_bpm",
                "drop_120s_bpm",
            ),
            "cole_1999",
        ),
        "breath_care": {
            **dict.fromkeys(
                (
                    "n_breaths",
                    "n_marked",
                    "n_left_out",
                    "n_restored",
                    "n_excluded_by_hand",
                    "n_exercise_left_out",
                ),
                _COUNTED,
            ),
            **dict.fromkeys(("vo2_peak_ml_min", "vo2_peak_with_them_ml_min"), _AVERAGE),
            "warned_from_percent": "project default",
        },
    }
)
#: Fields that rest on the prediction of maximal heart rate that was chosen.
_BY_PREDICTION = (
    "heart_rate_max_predicted_bpm",
    "heart_rate_percent_of_predicted",
    "heart_rate_left_bpm",
)


def with_sources(document: Mapping[str, Any]) -> dict[str, Any]:
    """An analysis document whose parts say where each of their numbers comes from.

    Parameters
    ----------
    document : mapping
        JSON form of an analysis.

    Returns
    -------
    dict
        With ``sources`` by field in the parts of `SOURCES`, and ``source`` where a part has one for all.
    """
    answer = dict(document)
    for part, sources in SOURCES.items():
        told = answer.get(part)
        if told:
            answer[part] = {**told, "sources": {name: text for name, text in sources.items() if name in told}}
    basis = answer["peak"].get("basis")
    if basis != "measured":
        known = {"estimated": "an estimate; see estimates", "reported": "as reported"}
        told = dict.fromkeys(("vo2_ml_min", "vo2_ml_kg_min", "mets"), known.get(str(basis), _RECORDED))
        answer["peak"]["sources"] |= told
    method = answer["reserves"].get("heart_rate_max_method")
    if method in METHODS:
        answer["reserves"]["sources"] |= dict.fromkeys(_BY_PREDICTION, METHODS[method].source)
    answer["peak_by_window"] = [{**one, "source": _AVERAGE} for one in answer["peak_by_window"]]
    slopes = answer.get("slopes") or {}
    if slopes.get("items"):
        told = {one["name"]: one["source"] for one in slopes["items"]}
        told["vo2_at_100_w_ml_min"] = "on the line of uptake on work rate (project default)"
        answer["slopes"] = {**slopes, "sources": told}
    plateau = answer["plateau"]
    if plateau.get("fit"):
        primary = next(one for one in plateau["rules"] if one["primary"])
        answer["plateau"] = {**plateau, "fit": {**plateau["fit"], "source": primary["source"]}}
    return answer
