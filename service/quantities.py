"""The registry: every measured or derived quantity, once.

Intake, outlets, trends, charts, the data dictionary and the pages read their labels, units, decimals
and limits here, and nowhere else. Limits are those of the project's plausibility table: a value beyond
`hard` cannot be, a value beyond `soft` is worth a look.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from types import MappingProxyType
from typing import Any, Literal

Kind = Literal["interval", "stage_note", "visit", "measurement", "result"]
Better = Literal["higher", "lower"] | None


@dataclass(frozen=True, slots=True)
class TypicalError:
    """The SD of one person's repeated measurements, as published.

    Attributes
    ----------
    value : float
        Coefficient of variation in per cent where `scale` is ``"log"``, else in the quantity's own unit.
    scale : {"log", "linear"}
        ``"log"``: a CV of c % is an SD of ln of ln(1 + c/100).
    source : str
        Citation key in `service.analysis.references`, or a statement that it is the project's default.
    """

    value: float
    scale: Literal["log", "linear"]
    source: str


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity.

    Attributes
    ----------
    key : str
        Stable name with the unit in it; the name on the wire and in storage.
    label, symbol : str
        For people: in words, and as on an axis.
    unit, ucum : str
        The unit as printed, and its UCUM code.
    decimals : int
        Digits shown after the point.
    kinds : frozenset of str
        Where it occurs.
    better : {"higher", "lower"} or None
        Which direction of change is an improvement in fitness.
    soft, hard : tuple of float, optional
        Plausible and possible range, inclusive.
    loinc : str, optional
        Only where the code was verified.
    typical_error : TypicalError, optional
        Published default.
    """

    key: str
    label: str
    symbol: str
    unit: str
    ucum: str
    decimals: int
    kinds: frozenset[Kind]
    better: Better = None
    soft: tuple[float, float] | None = None
    hard: tuple[float, float] | None = None
    loinc: str | None = None
    typical_error: TypicalError | None = None

    def possible(self, value: float) -> bool:
        """Whether `value` lies within the hard limits (True where there are none)."""
        return self.hard is None or self.hard[0] <= value <= self.hard[1]

    def plausible(self, value: float) -> bool:
        """Whether `value` lies within the soft limits (True where there are none)."""
        return self.soft is None or self.soft[0] <= value <= self.soft[1]

    def show(self, value: float | None) -> str:
        """`value` with its decimals and unit, or a dash."""
        if value is None:
            return "-"
        number = f"{value:,.{self.decimals}f}"
        return number if self.unit in {"", "1"} else f"{number} {self.unit}"

    def as_dict(self) -> dict[str, Any]:
        """JSON form for the catalogue of quantities."""
        answer = asdict(self)
        answer["kinds"] = sorted(self.kinds)
        for limit in ("soft", "hard"):
            pair = answer.pop(limit)
            answer[f"{limit}_low"], answer[f"{limit}_high"] = pair or (None, None)
        return answer


def _interval(
    key: str,
    label: str,
    symbol: str,
    unit: str,
    ucum: str,
    decimals: int,
    soft: tuple[float, float] | None,
    hard: tuple[float, float] | None,
    *more: Kind,
    error: TypicalError | None = None,
) -> Quantity:
    return Quantity(
        key,
        label,
        symbol,
        unit,
        ucum,
        decimals,
        frozenset({"interval", *more}),
        soft=soft,
        hard=hard,
        typical_error=error,
    )


def _of(
    kind: Kind,
    key: str,
    label: str,
    symbol: str,
    unit: str,
    ucum: str,
    decimals: int,
    *,
    better: Better = None,
    soft: tuple[float, float] | None = None,
    hard: tuple[float, float] | None = None,
    loinc: str | None = None,
    error: TypicalError | None = None,
) -> Quantity:
    return Quantity(
        key,
        label,
        symbol,
        unit,
        ucum,
        decimals,
        frozenset({kind}),
        better=better,
        soft=soft,
        hard=hard,
        loinc=loinc,
        typical_error=error,
    )


_VO2_ERROR = TypicalError(5.0, "log", "project default; decato_2018 found a CV of 4.9 %")

_HEART_RATE_ERROR = TypicalError(
    3.0,
    "log",
    "at one work rate, project default: lamberts_2004 found 1.1-1.4 % near 90 % of the maximum on five days running and more "
    "below it, wilmore_1998 less than 9 %",
)

_ALL: tuple[Quantity, ...] = (
    # Channels of an interval. Limits: the project's plausibility table.
    _interval("vo2_ml_min", "Oxygen uptake", "VO2", "mL/min", "mL/min", 0, (150, 6500), (50, 8000)),
    _interval("vco2_ml_min", "Carbon dioxide output", "VCO2", "mL/min", "mL/min", 0, (100, 7500), (30, 10000)),
    _interval("ve_l_min", "Ventilation (BTPS)", "VE", "L/min", "L/min", 1, (4, 200), (2, 280)),
    _interval("heart_rate_bpm", "Heart rate", "HR", "beats/min", "{beats}/min", 0, (35, 215), (25, 250), "stage_note", error=_HEART_RATE_ERROR),
    _interval("respiratory_rate_per_min", "Respiratory rate", "RR", "/min", "/min", 0, (8, 65), (3, 100)),
    _interval("work_rate_w", "Work rate", "W", "W", "W", 0, (0, 500), (0, 2000), "stage_note"),
    _interval("speed_km_h", "Speed", "v", "km/h", "km/h", 1, (0, 26), (0, 45), "stage_note"),
    _interval("grade_percent", "Grade", "grade", "%", "%", 1, (-5, 28), (-30, 45), "stage_note"),
    _interval("feo2_fraction", "Mixed expired O2 fraction", "FEO2", "", "1", 4, (0.145, 0.195), (0.10, 0.2093)),
    _interval("feco2_fraction", "Mixed expired CO2 fraction", "FECO2", "", "1", 4, (0.015, 0.065), (0, 0.10)),
    _interval("tidal_volume_l", "Tidal volume (BTPS)", "VT", "L", "L", 2, (0.3, 4.5), (0.1, 7)),
    _interval("peto2_mmhg", "End-tidal O2 pressure", "PETO2", "mmHg", "mm[Hg]", 0, (80, 135), (40, 160)),
    _interval("petco2_mmhg", "End-tidal CO2 pressure", "PETCO2", "mmHg", "mm[Hg]", 0, (20, 60), (8, 90)),
    _interval("spo2_percent", "Oxygen saturation", "SpO2", "%", "%", 0, (85, 100), (50, 100), "stage_note"),
    _interval("cadence_per_min", "Cadence", "cadence", "/min", "{rev}/min", 0, (20, 130), (0, 250)),
    # Channels that only a file has; they are converted or checked, not stored as such.
    _interval("vo2_ml_kg_min", "Oxygen uptake per body mass", "VO2/kg", "mL/kg/min", "mL/kg/min", 1, (2.5, 85), (1, 100)),
    _interval("vco2_ml_kg_min", "Carbon dioxide output per body mass", "VCO2/kg", "mL/kg/min", "mL/kg/min", 1, (2, 95), (0.5, 120)),
    _interval("rer", "Respiratory exchange ratio", "RER", "", "1", 2, (0.70, 1.35), (0.5, 2.2)),
    _interval("ve_vo2", "Ventilatory equivalent for O2", "VE/VO2", "", "1", 1, (18, 60), (5.8, 120)),
    _interval("ve_vco2", "Ventilatory equivalent for CO2", "VE/VCO2", "", "1", 1, (20, 60), (10, 120)),
    _interval("mets", "Metabolic equivalents", "MET", "MET", "[MET]", 1, (0.7, 24), (0.3, 29)),
    _interval("o2_pulse_ml_beat", "Oxygen pulse", "VO2/HR", "mL/beat", "mL/{beat}", 1, (2, 35), (0.5, 60)),
    # Stage notes.
    _of("stage_note", "rpe", "Rating of perceived exertion", "RPE", "", "{Borg}", 0, hard=(0, 20)),
    _of("stage_note", "rpe_legs", "Rating of perceived exertion, legs", "RPE legs", "", "{Borg}", 0, hard=(0, 20)),
    _of("stage_note", "rpe_breathing", "Rating of perceived exertion, breathing", "RPE breathing", "", "{Borg}", 0, hard=(0, 20)),
    _of("stage_note", "systolic_mmhg", "Systolic blood pressure", "SBP", "mmHg", "mm[Hg]", 0, soft=(80, 250), hard=(50, 320), loinc="8480-6"),
    _of("stage_note", "diastolic_mmhg", "Diastolic blood pressure", "DBP", "mmHg", "mm[Hg]", 0, soft=(40, 115), hard=(20, 160), loinc="8462-4"),
    _of("stage_note", "lactate_mmol_l", "Blood lactate", "lactate", "mmol/L", "mmol/L", 1, soft=(0.4, 25), hard=(0.1, 40)),
    # The visit.
    _of("visit", "body_mass_kg", "Body mass", "mass", "kg", "kg", 1, soft=(30, 200), hard=(10, 400), loinc="29463-7"),
    _of("visit", "height_cm", "Height", "height", "cm", "cm", 0, soft=(120, 210), hard=(50, 260), loinc="8302-2"),
    _of("visit", "age_years", "Age", "age", "years", "a", 1, soft=(6, 95), hard=(0, 120)),
    _of("visit", "resting_heart_rate_bpm", "Resting heart rate", "resting HR", "beats/min", "{beats}/min", 0, better="lower", soft=(35, 110), hard=(20, 200), loinc="40443-4"),
    _of("visit", "resting_systolic_mmhg", "Resting systolic blood pressure", "resting SBP", "mmHg", "mm[Hg]", 0, soft=(80, 200), hard=(50, 300), loinc="8480-6"),
    _of("visit", "resting_diastolic_mmhg", "Resting diastolic blood pressure", "resting DBP", "mmHg", "mm[Hg]", 0, soft=(40, 110), hard=(20, 200), loinc="8462-4"),
    _of("visit", "resting_spo2_percent", "Resting oxygen saturation", "resting SpO2", "%", "%", 0, soft=(88, 100), hard=(50, 100)),
    _of("visit", "barometric_pressure_mmhg", "Barometric pressure", "PB", "mmHg", "mm[Hg]", 1, soft=(550, 800), hard=(230, 830)),
    _of("visit", "altitude_m", "Altitude", "altitude", "m", "m", 0, soft=(-100, 4000), hard=(-450, 9000)),
    _of("visit", "temperature_c", "Room temperature", "T", "°C", "Cel", 1, soft=(15, 30), hard=(-20, 50)),
    _of("visit", "relative_humidity_percent", "Relative humidity", "RH", "%", "%", 0, soft=(15, 90), hard=(0, 100)),
    _of("visit", "hours_since_meal", "Hours since the last meal", "meal", "h", "h", 1, hard=(0, 240)),
    _of("visit", "hours_since_caffeine", "Hours since caffeine", "caffeine", "h", "h", 1, hard=(0, 10000)),
    _of("visit", "hours_since_exercise", "Hours since exercise", "exercise", "h", "h", 1, hard=(0, 100000)),
    _of("visit", "haemoglobin_g_dl", "Haemoglobin", "Hb", "g/dL", "g/dL", 1, soft=(8, 20), hard=(2, 30)),
    _of("visit", "fev1_l", "Forced expiratory volume in 1 s", "FEV1", "L", "L", 2, soft=(0.5, 7), hard=(0.1, 10)),
    _of("visit", "vital_capacity_l", "Vital capacity", "VC", "L", "L", 2, soft=(1, 8), hard=(0.2, 11)),
    _of("visit", "mvv_l_min", "Maximal voluntary ventilation", "MVV", "L/min", "L/min", 0, soft=(20, 260), hard=(5, 350)),
    # Other fitness measurements of a visit.
    _of("measurement", "grip_strength_kg", "Grip strength", "grip", "kg", "kg", 1, better="higher", soft=(5, 80), hard=(0, 150)),
    _of("measurement", "waist_cm", "Waist circumference", "waist", "cm", "cm", 1, better="lower", soft=(50, 160), hard=(30, 300)),
    _of("measurement", "hip_cm", "Hip circumference", "hip", "cm", "cm", 1, soft=(60, 170), hard=(30, 300)),
    _of("measurement", "body_fat_percent", "Body fat", "fat", "%", "%", 1, soft=(4, 55), hard=(1, 80)),
    _of("measurement", "sit_and_reach_cm", "Sit and reach", "reach", "cm", "cm", 1, better="higher", soft=(-20, 60), hard=(-60, 100)),
    _of("measurement", "push_ups", "Push-ups", "push-ups", "", "{count}", 0, better="higher", soft=(0, 100), hard=(0, 1000)),
    _of("measurement", "curl_ups", "Curl-ups", "curl-ups", "", "{count}", 0, better="higher", soft=(0, 120), hard=(0, 2000)),
    _of("measurement", "vertical_jump_cm", "Vertical jump", "jump", "cm", "cm", 1, better="higher", soft=(10, 90), hard=(0, 150)),
    _of("measurement", "plank_s", "Plank hold", "plank", "s", "s", 0, better="higher", soft=(5, 600), hard=(0, 40000)),
    _of("measurement", "single_leg_balance_s", "Single-leg balance", "balance", "s", "s", 0, better="higher", soft=(1, 120), hard=(0, 7200)),
    _of("measurement", "chair_stands_30s", "Chair stands in 30 s", "chair stands", "", "{count}", 0, better="higher", soft=(2, 40), hard=(0, 80)),
    # Results of a test.
    _of("result", "vo2_peak_ml_min", "Peak oxygen uptake", "VO2peak", "mL/min", "mL/min", 0, better="higher", soft=(500, 7000), hard=(150, 8000), loinc="60842-2", error=_VO2_ERROR),
    _of("result", "vo2_peak_ml_kg_min", "Peak oxygen uptake per body mass", "VO2peak", "mL/kg/min", "mL/kg/min", 1, better="higher", soft=(8, 85), hard=(3, 100), loinc="94122-9", error=_VO2_ERROR),
    _of("result", "mets_peak", "Peak metabolic equivalents", "peak MET", "MET", "[MET]", 1, better="higher", soft=(2.3, 24), hard=(0.9, 29), error=_VO2_ERROR),
    _of("result", "heart_rate_max_bpm", "Maximal heart rate", "HRmax", "beats/min", "{beats}/min", 0, soft=(90, 215), hard=(40, 250), error=TypicalError(2.5, "log", "skinner_1999 (value from memory, low confidence)")),
    _of("result", "rer_max", "Maximal respiratory exchange ratio", "RERmax", "", "1", 2, soft=(0.85, 1.5), hard=(0.5, 2.2)),
    _of("result", "ve_max_l_min", "Maximal ventilation (BTPS)", "VEmax", "L/min", "L/min", 1, better="higher", soft=(20, 230), hard=(5, 280), error=TypicalError(7.4, "log", "decato_2018")),
    _of("result", "work_rate_peak_w", "Peak work rate", "Wpeak", "W", "W", 0, better="higher", soft=(20, 600), hard=(0, 2000), error=TypicalError(1.2, "log", "hopkins_2001 (athletes 0.9 %, others 1.3 times that)")),
    _of("result", "speed_peak_km_h", "Peak speed", "vpeak", "km/h", "km/h", 1, better="higher", soft=(2, 26), hard=(0, 45), error=TypicalError(1.2, "log", "hopkins_2001 (athletes 0.9 %, others 1.3 times that)")),
    _of("result", "o2_pulse_peak_ml_beat", "Peak oxygen pulse", "VO2/HR", "mL/beat", "mL/{beat}", 1, better="higher", soft=(4, 35), hard=(0.5, 60), loinc="94120-3", error=TypicalError(4.6, "log", "decato_2018")),
    _of("result", "vt1_vo2_ml_min", "VO2 at the first ventilatory threshold", "VT1", "mL/min", "mL/min", 0, better="higher", soft=(400, 6000), hard=(100, 8000), error=TypicalError(10.4, "log", "decato_2018")),
    _of("result", "vt2_vo2_ml_min", "VO2 at the second ventilatory threshold", "VT2", "mL/min", "mL/min", 0, better="higher", soft=(500, 7000), hard=(100, 8000)),
    _of("result", "vt1_work_rate_w", "Work rate at the first ventilatory threshold", "W at VT1", "W", "W", 0, better="higher", soft=(10, 500), hard=(0, 2000)),
    _of("result", "vt2_work_rate_w", "Work rate at the second ventilatory threshold", "W at VT2", "W", "W", 0, better="higher", soft=(10, 600), hard=(0, 2000)),
    _of("result", "ve_vco2_slope", "VE/VCO2 slope", "VE/VCO2 slope", "", "1", 1, soft=(18, 60), hard=(5, 150)),
    _of("result", "oues_ml_min", "Oxygen uptake efficiency slope", "OUES", "mL/min", "mL/min", 0, better="higher", soft=(500, 6500), hard=(50, 12000)),
    _of("result", "vo2_at_100_w_ml_min", "Oxygen uptake at 100 W", "VO2 at 100 W", "mL/min", "mL/min", 0, soft=(900, 2000), hard=(50, 8000), error=TypicalError(3.0, "log", "project default: tests of one person at one work rate agree within about 8 %")),
    _of("result", "vo2_work_rate_slope_ml_min_w", "VO2-work rate slope", "dVO2/dW", "mL/min/W", "mL/min/W", 1, soft=(7, 13), hard=(0, 40)),
    _of("result", "heart_rate_drop_60s_bpm", "Fall of heart rate 60 s after exercise", "HR drop 60 s", "beats/min", "{beats}/min", 0, better="higher", soft=(0, 80), hard=(-30, 150)),
    _of("result", "heart_rate_drop_120s_bpm", "Fall of heart rate 120 s after exercise", "HR drop 120 s", "beats/min", "{beats}/min", 0, better="higher", soft=(5, 110), hard=(-30, 170)),
    _of("result", "rpe_max", "Highest rating of perceived exertion", "RPEmax", "", "{Borg}", 0, hard=(0, 20)),
    _of("result", "lactate_max_mmol_l", "Highest blood lactate", "lactate", "mmol/L", "mmol/L", 1, soft=(0.5, 25), hard=(0.1, 40)),
    _of("result", "systolic_max_mmhg", "Highest systolic blood pressure", "SBPmax", "mmHg", "mm[Hg]", 0, soft=(100, 250), hard=(50, 320)),
    _of("result", "exercise_duration_s", "Duration of exercise", "duration", "s", "s", 0, soft=(120, 3600), hard=(1, 100000)),
)  # fmt: skip

QUANTITIES: Mapping[str, Quantity] = MappingProxyType({quantity.key: quantity for quantity in _ALL})


def of_kind(kind: Kind) -> tuple[Quantity, ...]:
    """The quantities that occur in one place, in the order of the registry."""
    return tuple(quantity for quantity in _ALL if kind in quantity.kinds)


#: Channels stored with each interval, and the rarer ones stored beside it.
STORED_CHANNELS: tuple[str, ...] = (
    "vo2_ml_min",
    "vco2_ml_min",
    "ve_l_min",
    "heart_rate_bpm",
    "respiratory_rate_per_min",
    "work_rate_w",
    "speed_km_h",
    "grade_percent",
    "feo2_fraction",
    "feco2_fraction",
)
EXTRA_CHANNELS: tuple[str, ...] = (
    "tidal_volume_l",
    "peto2_mmhg",
    "petco2_mmhg",
    "spo2_percent",
    "cadence_per_min",
)
CHANNELS: tuple[str, ...] = STORED_CHANNELS + EXTRA_CHANNELS
