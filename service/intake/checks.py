"""What follows from several columns at once: volumes at other conditions, values per body mass, ratios."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from service.analysis.series import Floats
from service.errors import Place, RefusedFile
from service.findings import Finding, finding
from service.intake.options import ReadOptions
from service.intake.values import Values
from service.methods import gas
from service.methods.ratios import metabolic_equivalents
from service.quantities import CHANNELS, QUANTITIES

#: Identities of the trade hold within 2-3 % of rounding and averaging (project default).
_TOLERANCE = 0.03
_LB_PER_KG = 2.2046226
_VOLUMES = ("ve_l_min", "tidal_volume_l")


def looks_like_breaths(duration_s: Floats) -> bool:
    """Whether intervals are breaths: short, and of ever differing length."""
    if duration_s.size < 20:
        return False
    middle = float(np.median(duration_s))
    differing = float(np.mean(np.abs(duration_s - middle) > 0.01 * middle))
    return middle <= 12.0 and differing > 0.2


def conditions(read: Mapping[str, Values], options: ReadOptions) -> tuple[dict[str, Values], list[Finding]]:
    """Ventilation and tidal volume brought to BTPS, as the header, the units line or the options say."""
    converted: dict[str, Values] = {}
    findings: list[Finding] = []
    for key in _VOLUMES:
        values = read.get(key)
        if values is None:
            continue
        header = values.column.header
        stated = options.volume_condition or values.column.condition
        if stated is None:
            if key == "ve_l_min":
                findings.append(
                    finding("ve_taken_as_btps", f"Column '{header}' was taken as BTPS.", column=header)
                )
            continue
        if stated == "btps":
            continue
        factor = _to_btps(stated, header, options)
        converted[key] = replace(
            values,
            values=values.values * factor,
            factor=None if values.factor is None else values.factor * factor,
        )
        findings.append(
            finding(
                "volume_condition_converted",
                f"Column '{header}' is stated at {stated.upper()} and was multiplied by {factor:.4f} to BTPS.",
                column=header,
            )
        )
    return converted, findings


def _to_btps(stated: str, header: str, options: ReadOptions) -> float:
    pressure, temperature = options.barometric_pressure_mmhg, options.temperature_c
    missing = []
    if pressure is None:
        missing.append("barometric_pressure_mmhg")
    if stated == "atps" and temperature is None:
        missing.append("temperature_c")
    if pressure is None or missing:
        raise RefusedFile(
            f"Column '{header}' is stated at {stated.upper()}; to BTPS it can only be converted with the "
            f"{' and '.join(missing)} of the visit.",
            tuple(
                Place(f"visit.{name}", "Record it with the visit; there is no default.", column=header)
                for name in missing
            ),
        )
    if stated == "stpd":
        return 1.0 / float(gas.btps_to_stpd_factor(pressure))
    humidity = options.relative_humidity_percent
    assert temperature is not None  # noqa: S101 among the missing otherwise
    return float(gas.btps_factor(pressure, temperature, 100.0 if humidity is None else humidity))


def stored_channels(
    read: Mapping[str, Values], options: ReadOptions
) -> tuple[dict[str, Floats], frozenset[str], list[Finding]]:
    """The channels of the series, and the derived columns that some of them were computed from.

    Uptake per body mass becomes uptake where that is all there is, and the exchange ratio carbon dioxide.

    Raises
    ------
    RefusedFile
        Uptake is given per body mass alone and the visit has no body mass.
    """
    channels = {key: read[key].values for key in CHANNELS if key in read}
    findings: list[Finding] = []
    used: set[str] = set()
    for gas_key in ("vo2", "vco2"):
        absolute, per_mass = f"{gas_key}_ml_min", read.get(f"{gas_key}_ml_kg_min")
        if absolute in channels or per_mass is None:
            continue
        header, mass = per_mass.column.header, options.body_mass_kg
        if mass is None:
            raise RefusedFile(
                f"Column '{header}' gives {gas_key.upper()} per body mass only. What is the body mass of the visit?",
                (Place("visit.body_mass_kg", "Record the body mass with the visit.", column=header),),
            )
        channels[absolute] = per_mass.values * mass
        used.add(per_mass.key)
        findings.append(
            finding(
                "uptake_from_body_mass",
                f"Column '{header}' was multiplied by the body mass of the visit, {mass:g} kg.",
                column=header,
            )
        )
    ratio = read.get("rer")
    if "vco2_ml_min" not in channels and "vo2_ml_min" in channels and ratio is not None:
        channels["vco2_ml_min"] = ratio.values * channels["vo2_ml_min"]
        used.add("rer")
        findings.append(
            finding(
                "carbon_dioxide_from_ratio",
                f"The file gives no VCO2; it was computed as '{ratio.column.header}' times VO2.",
                column=ratio.column.header,
            )
        )
    ordered = {key: channels[key] for key in CHANNELS if key in channels}
    return ordered, frozenset(used), findings


def derived(
    read: Mapping[str, Values], channels: Mapping[str, Floats], body_mass_kg: float | None
) -> list[Finding]:
    """Each derived column compared with what it is made of.

    Notes
    -----
    RER = VCO2/VO2; VE/VO2 and VE/VCO2 with all in L/min; O2 pulse = VO2/HR; MET = VO2/mass/3.5.
    """
    vo2, vco2 = channels.get("vo2_ml_min"), channels.get("vco2_ml_min")
    ve, heart_rate = channels.get("ve_l_min"), channels.get("heart_rate_bpm")
    findings: list[Finding] = []
    for key, values in read.items():
        if key.endswith("_ml_kg_min"):
            findings += _per_mass(values, channels.get(key.replace("_ml_kg_min", "_ml_min")), body_mass_kg)
            continue
        expected: Floats | None = None
        with np.errstate(divide="ignore", invalid="ignore"):
            if key == "rer" and vo2 is not None and vco2 is not None:
                expected = vco2 / vo2
            elif key == "ve_vo2" and ve is not None and vo2 is not None:
                expected = 1000.0 * ve / vo2
            elif key == "ve_vco2" and ve is not None and vco2 is not None:
                expected = 1000.0 * ve / vco2
            elif key == "o2_pulse_ml_beat" and vo2 is not None and heart_rate is not None:
                expected = vo2 / heart_rate
            elif key == "mets" and vo2 is not None and body_mass_kg is not None:
                expected = metabolic_equivalents(vo2 / body_mass_kg)
        findings.append(_compared(values, expected))
    return findings


def _compared(values: Values, expected: Floats | None) -> Finding:
    header, label = values.column.header, QUANTITIES[values.key].label
    if expected is None:
        return finding(
            "derived_column_checked",
            f"Column '{header}' ({label}) follows from other columns, which the file does not all have; it is not stored.",
            column=header,
        )
    both = np.isfinite(values.values) & np.isfinite(expected) & (expected > 0)
    if not both.any():
        return finding(
            "derived_column_checked",
            f"Column '{header}' ({label}) could not be compared; it is not stored.",
            column=header,
        )
    ratio = float(np.median(values.values[both] / expected[both]))
    if abs(ratio - 1) > _TOLERANCE:
        return finding(
            "derived_column_disagrees",
            f"Column '{header}' ({label}) is {ratio:.3f} times what follows from the other columns (median of "
            f"{int(both.sum())} rows).",
            column=header,
        )
    return finding(
        "derived_column_checked",
        f"Column '{header}' ({label}) agrees with the other columns; it is not stored.",
        column=header,
    )


def _per_mass(values: Values, absolute: Floats | None, body_mass_kg: float | None) -> list[Finding]:
    header = values.column.header
    if absolute is None:
        return []
    both = np.isfinite(values.values) & np.isfinite(absolute) & (values.values > 0)
    if not both.any():
        return []
    implied = float(np.median(absolute[both] / values.values[both]))
    if body_mass_kg is None:
        return [
            finding(
                "derived_column_checked",
                f"Column '{header}' is not stored; it implies a body mass of {implied:.1f} kg.",
                column=header,
            )
        ]
    ratio = implied / body_mass_kg
    for times in (_LB_PER_KG, 1 / _LB_PER_KG):
        if abs(ratio / times - 1) <= _TOLERANCE:
            return [
                finding(
                    "unit_doubt",
                    f"Column '{header}' implies a body mass of {implied:.1f}, {ratio:.3f} times the {body_mass_kg:g} kg of "
                    "the visit: one of them may be in pounds.",
                    column=header,
                )
            ]
    if abs(ratio - 1) > _TOLERANCE:
        return [
            finding(
                "derived_column_disagrees",
                f"Column '{header}' implies a body mass of {implied:.1f} kg; the visit has {body_mass_kg:g} kg.",
                column=header,
            )
        ]
    return [
        finding(
            "derived_column_checked",
            f"Column '{header}' agrees with the body mass; it is not stored.",
            column=header,
        )
    ]
