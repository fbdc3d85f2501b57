"""What a column of a file may hold: the quantities, the units they come in, and which may be assumed."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from service.quantities import QUANTITIES

Role = Literal["channel", "derived", "note", "clock", "text"]


@dataclass(frozen=True, slots=True)
class UnitChoice:
    """A unit a quantity comes in, and where the median of a column in that unit usually lies."""

    text: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Measure:
    """One thing a column may hold.

    Attributes
    ----------
    name : str
        Our own name.
    keys : tuple of str
        Keys of the registry it is read as; with several, the dimension of the unit decides.
    role : {"channel", "derived", "note", "clock", "text"}
        Stored with the interval, compared and not stored, a stage note, a time, or words.
    units : tuple of UnitChoice
        The units of the trade, for questions and for judging whether values fit.
    assumed : frozenset of str
        Units that may be taken without being stated, where the values fit that one alone.
    targets : tuple of str
        The unit of each key.
    """

    name: str
    keys: tuple[str, ...]
    role: Role
    units: tuple[UnitChoice, ...] = ()
    assumed: frozenset[str] = frozenset()
    targets: tuple[str, ...] = ()


def _measure(
    name: str,
    keys: Iterable[str],
    role: Role,
    units: Iterable[tuple[str, float, float]],
    assumed: Iterable[str] = (),
    targets: Iterable[str] | None = None,
) -> Measure:
    keys = tuple(keys)
    if targets is None:
        targets = tuple(_plain_unit(key) for key in keys)
    return Measure(
        name,
        keys,
        role,
        tuple(UnitChoice(*unit) for unit in units),
        frozenset(assumed),
        tuple(targets),
    )


def _plain_unit(key: str) -> str:
    quantity = QUANTITIES[key]
    return {"beats/min": "/min", "mL/beat": "mL", "": "fraction"}.get(quantity.unit, quantity.unit)


# Ranges are those of the project's plausibility table, carried over to the other units.
_UPTAKE = (("mL/min", 150.0, 6500.0), ("L/min", 0.15, 6.5), ("mL/kg/min", 2.5, 85.0))
_OUTPUT = (("mL/min", 100.0, 7500.0), ("L/min", 0.1, 7.5), ("mL/kg/min", 2.0, 95.0))
_PER_MASS = (("mL/kg/min", 2.0, 95.0), ("mL/lb/min", 1.0, 40.0))
_VENTILATION = (("L/min", 4.0, 200.0), ("mL/min", 4000.0, 200000.0))
_VOLUME = (("L", 0.3, 4.5), ("mL", 300.0, 4500.0))

_ALL: tuple[Measure, ...] = (
    _measure("vo2", ("vo2_ml_min", "vo2_ml_kg_min"), "channel", _UPTAKE, ("mL/min",)),
    _measure("vo2_per_mass", ("vo2_ml_kg_min",), "channel", _PER_MASS, ("mL/kg/min",)),
    _measure("vco2", ("vco2_ml_min", "vco2_ml_kg_min"), "channel", _OUTPUT, ("mL/min",)),
    _measure("vco2_per_mass", ("vco2_ml_kg_min",), "channel", _PER_MASS, ("mL/kg/min",)),
    _measure("ve", ("ve_l_min",), "channel", _VENTILATION, ("L/min",)),
    _measure("heart_rate", ("heart_rate_bpm",), "channel", (("beats/min", 35, 215),), ("beats/min",)),
    _measure("respiratory_rate", ("respiratory_rate_per_min",), "channel", (("/min", 5, 80),), ("/min",)),
    _measure("work_rate", ("work_rate_w",), "channel", (("W", 0, 500), ("kgm/min", 0, 3000)), ()),
    _measure("power", ("work_rate_w",), "channel", (("W", 0, 500), ("kgm/min", 0, 3000)), ("W",)),
    _measure(
        "speed",
        ("speed_km_h",),
        "channel",
        (("km/h", 0, 45), ("mph", 0, 28), ("m/s", 0, 11), ("m/min", 40, 700)),
    ),
    _measure(
        "grade",
        ("grade_percent",),
        "channel",
        (("%", -30, 45), ("fraction", -0.3, 0.45), ("degrees", -17, 24)),
        ("%",),
    ),
    _measure(
        "feo2",
        ("feo2_fraction",),
        "channel",
        (("%", 14, 20.93), ("fraction", 0.14, 0.2093)),
        ("%", "fraction"),
    ),
    _measure(
        "feco2", ("feco2_fraction",), "channel", (("%", 0.6, 7), ("fraction", 0.006, 0.07)), ("%", "fraction")
    ),
    _measure("tidal_volume", ("tidal_volume_l",), "channel", _VOLUME, ("L", "mL")),
    _measure("peto2", ("peto2_mmhg",), "channel", (("mmHg", 60, 140), ("kPa", 8, 18.5)), ("mmHg",)),
    _measure("petco2", ("petco2_mmhg",), "channel", (("mmHg", 12, 80), ("kPa", 1.6, 10.6)), ("mmHg",)),
    _measure("spo2", ("spo2_percent",), "channel", (("%", 70, 100), ("fraction", 0.7, 1)), ("%",)),
    _measure("cadence", ("cadence_per_min",), "channel", (("/min", 0, 150),), ("/min",)),
    _measure("rer", ("rer",), "derived", (("fraction", 0.5, 2.2),), ("fraction",)),
    _measure("ve_vo2", ("ve_vo2",), "derived", (("fraction", 5.8, 120),), ("fraction",)),
    _measure("ve_vco2", ("ve_vco2",), "derived", (("fraction", 10, 120),), ("fraction",)),
    _measure("mets", ("mets",), "derived", (("MET", 0.7, 24),), ("MET",)),
    _measure("o2_pulse", ("o2_pulse_ml_beat",), "derived", (("mL/beat", 1, 40),), ("mL/beat",)),
    _measure("rpe", ("rpe",), "note", (("Borg", 0, 20),), ("Borg",), ("fraction",)),
    _measure("rpe_legs", ("rpe_legs",), "note", (("Borg", 0, 20),), ("Borg",), ("fraction",)),
    _measure("rpe_breathing", ("rpe_breathing",), "note", (("Borg", 0, 20),), ("Borg",), ("fraction",)),
    _measure("lactate", ("lactate_mmol_l",), "note", (("mmol/L", 0.1, 40),), ("mmol/L",)),
    _measure("systolic", ("systolic_mmhg",), "note", (("mmHg", 50, 320), ("kPa", 6, 43)), ("mmHg",)),
    _measure("diastolic", ("diastolic_mmhg",), "note", (("mmHg", 20, 160), ("kPa", 2.6, 22)), ("mmHg",)),
    Measure("blood_pressure", (), "text"),
    Measure("phase", (), "text"),
    Measure("stage", (), "text"),
    Measure("comment", (), "text"),
    Measure("symptoms", (), "text"),
    Measure("time", (), "clock"),
    Measure("start", (), "clock"),
    Measure("end", (), "clock"),
    Measure("duration", (), "clock"),
    Measure("clock_time", (), "clock"),
)

MEASURES: Mapping[str, Measure] = MappingProxyType({measure.name: measure for measure in _ALL})

#: Measures that are one and the same quantity.
SAME: Mapping[str, str] = MappingProxyType({"power": "work_rate"})


def _named() -> dict[str, Measure]:
    answer = {
        name: MEASURES[name] for name in ("time", "start", "end", "duration", "phase", "stage", "comment")
    }
    answer["symptoms"] = MEASURES["symptoms"]
    for measure in _ALL:
        for key in measure.keys:
            answer.setdefault(key, measure)
    # Said outright to be per body mass: the unit must be one.
    answer["vo2_ml_kg_min"] = MEASURES["vo2_per_mass"]
    answer["vco2_ml_kg_min"] = MEASURES["vco2_per_mass"]
    return answer


#: What the option `columns` may name as a quantity.
NAMEABLE: Mapping[str, Measure] = MappingProxyType(_named())
