"""Units as people write them, made one form, checked for dimension and converted.

The arithmetic of units is pint's; here is only the spelling of the trade: ``ml·kg⁻¹·min⁻¹``, ``L/min``,
``mL/min/kg``, ``kgm/min``, ``bpm``.
"""

import re
import unicodedata
from functools import lru_cache
from typing import Any

#: Lower-case spelling -> pint name. Nothing outside this table is taken for a unit.
_SYMBOLS: dict[str, str] = {
    "": "dimensionless",
    **dict.fromkeys(("ml", "milliliter", "millilitre", "cc"), "milliliter"),
    **dict.fromkeys(("l", "ltr", "liter", "litre", "liters", "litres", "lit"), "liter"),
    **dict.fromkeys(("dl",), "deciliter"),
    **dict.fromkeys(("min", "mins", "minute", "minutes", "mn", "minuten"), "minute"),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sek", "seg"), "second"),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "std"), "hour"),
    **dict.fromkeys(("ms", "msec", "millisecond", "milliseconds"), "millisecond"),
    **dict.fromkeys(("d", "day", "days"), "day"),
    **dict.fromkeys(("kg", "kilogram"), "kilogram"),
    **dict.fromkeys(("g", "gram"), "gram"),
    **dict.fromkeys(("mg",), "milligram"),
    **dict.fromkeys(("ug", "µg"), "microgram"),
    **dict.fromkeys(("lb", "lbs", "pound", "pounds"), "pound"),
    **dict.fromkeys(("w", "watt", "watts"), "watt"),
    **dict.fromkeys(("kw",), "kilowatt"),
    **dict.fromkeys(("j",), "joule"),
    **dict.fromkeys(("kj",), "kilojoule"),
    **dict.fromkeys(("kcal",), "kilocalorie"),
    **dict.fromkeys(("kgm", "kpm", "kgfm"), "kilogram_force_meter"),
    **dict.fromkeys(("kp", "kgf"), "kilogram_force"),
    **dict.fromkeys(("n",), "newton"),
    **dict.fromkeys(("km", "kilometer", "kilometre"), "kilometer"),
    **dict.fromkeys(("m", "meter", "metre", "meters", "metres"), "meter"),
    **dict.fromkeys(("cm",), "centimeter"),
    **dict.fromkeys(("mm",), "millimeter"),
    **dict.fromkeys(("mi", "mile", "miles"), "mile"),
    **dict.fromkeys(("ft", "feet"), "foot"),
    **dict.fromkeys(("mmhg", "torr"), "mmHg"),
    **dict.fromkeys(("kpa",), "kilopascal"),
    **dict.fromkeys(("hpa", "mbar"), "hectopascal"),
    **dict.fromkeys(("pa",), "pascal"),
    **dict.fromkeys(("mmol",), "millimole"),
    **dict.fromkeys(("met", "mets"), "metabolic_equivalent"),
    **dict.fromkeys(("%", "percent", "pct", "prozent", "vol%"), "percent"),
    **dict.fromkeys(("fraction", "frac", "ratio", "decimal"), "dimensionless"),
    **dict.fromkeys(("beat", "beats", "schlag", "schläge", "breath", "breaths", "br"), "dimensionless"),
    **dict.fromkeys(("rev", "revs", "revolutions", "u", "rot", "turns", "steps"), "dimensionless"),
    **dict.fromkeys(("deg", "°", "degree", "degrees", "grad"), "degree"),
}

#: Whole spellings that no rule of composition yields.
_PHRASES: dict[str, str] = {
    **dict.fromkeys(("bpm", "b/min", "rpm", "x/min", "1/min", "u/min", "hb/min"), "1 / minute"),
    **dict.fromkeys(("kmh", "kph"), "kilometer / hour"),
    **dict.fromkeys(("mph",), "mile / hour"),
    **dict.fromkeys(("mps",), "meter / second"),
    **dict.fromkeys(("lpm",), "liter / minute"),
    **dict.fromkeys(("1", "l/l", "ml/ml"), "dimensionless"),
    **dict.fromkeys(("kgm/min", "kpm/min", "kgmmin-1", "kpmmin-1"), "kilogram_force_meter / minute"),
    **dict.fromkeys(("borg",), "dimensionless"),
}

#: Ways to write a time, which are units of a time column.
_NOTATIONS: dict[str, str] = {
    **dict.fromkeys(("mm:ss", "m:ss", "m:s", "min:sec", "min:s", "min:ss", "mm:ss.s"), "mm:ss"),
    **dict.fromkeys(
        ("h:mm:ss", "hh:mm:ss", "h:m:s", "h:min:s", "h:min:sec", "hr:min:sec", "std:min:sek"), "h:mm:ss"
    ),
    **dict.fromkeys(("h:mm", "hh:mm", "h:m", "h:min"), "h:mm"),
}

_TOKEN = re.compile(r"\s*(/)?\s*([^\W\d_]+%?|%|°|1(?=\s*/))?(?:\^?(-?\d))?", re.UNICODE)
_SEPARATORS = str.maketrans(
    {"·": " ", "⋅": " ", "•": " ", "∙": " ", "*": " ", "×": " ", "−": "-", "–": "-", "^": ""}
)


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint  # slow to load: only a file with units needs it

    registry: Any = pint.UnitRegistry()
    registry.define("kilogram_force_meter = kilogram_force * meter")
    # 1 MET is 3.5 mL/kg/min by convention of the trade.
    registry.define("metabolic_equivalent = 3.5 * milliliter / kilogram / minute")
    return registry


@lru_cache(maxsize=4096)
def parse_unit(text: str, *, underscores: bool = False) -> str | None:
    """A unit as people write it, as an expression for pint, or None where it is none.

    Parameters
    ----------
    text : str
        Such as ``ml/kg/min``, ``mL·kg⁻¹·min⁻¹``, ``mm:ss``.
    underscores : bool
        Read ``ml_kg_min`` as the first over all others, the way names of columns carry units.

    Returns
    -------
    str or None
        A pint expression; ``mm:ss``, ``h:mm:ss`` or ``h:mm`` for a notation of time.
    """
    plain = unicodedata.normalize("NFKC", text.translate(_SEPARATORS)).translate(_SEPARATORS).strip()
    plain = plain.casefold().strip("[](){} ").replace("\u2044", "/").replace(" per ", "/")
    condensed = re.sub(r"\s+", "", plain)
    for table in (_PHRASES, _NOTATIONS):
        if condensed in table:
            return table[condensed]
    if not condensed:
        return None
    if underscores and "_" in plain:
        first, *others = plain.split("_")
        plain = "/".join((first, *others)) if first else "/" + "/".join(others)
        if plain.startswith("per/"):
            plain = plain[3:]
        if plain.replace("/", "") in {"kmh", "mph"}:
            plain = plain.replace("/", "") if plain.count("/") > 1 else plain
    return _composed(re.sub(r"[().]", " ", plain))


def _composed(plain: str) -> str | None:
    above: list[str] = []
    below: list[str] = []
    under = False
    position = 0
    while position < len(plain):
        if not plain[position:].strip():
            break
        found = _TOKEN.match(plain, position)
        if found is None or found.end() == position:
            return None
        slash, symbol, power = found.groups()
        under = under or slash is not None
        position = found.end()
        if symbol is None:
            if power is not None or slash is None:
                return None
            continue
        if symbol == "1":
            continue
        name = _SYMBOLS.get(symbol)
        if name is None:
            return None
        exponent = int(power) if power else 1
        if name == "dimensionless":
            continue
        side = below if under or exponent < 0 else above
        side.append(name if abs(exponent) == 1 else f"{name}**{abs(exponent)}")
    if plain.rstrip().endswith("/"):
        return None
    if not above and not below:
        return "dimensionless"
    return " * ".join(above or ["1"]) + "".join(f" / {name}" for name in below)


def is_notation(unit: str) -> bool:
    """Whether a parsed unit is a way to write a time rather than a unit."""
    return ":" in unit


def factor(unit: str, target: str) -> float | None:
    """What a value in `unit` is multiplied by to be in `target`; None where the dimensions differ.

    Both are parsed units. An angle is not a ratio here, although it has no dimension.
    """
    if is_notation(unit) or ("degree" in unit) != ("degree" in target):
        return None
    registry = _registry()
    source, goal = _units(unit), _units(target)
    if source.dimensionality != goal.dimensionality:
        return None
    per_source = float(registry.Quantity(1.0, source).to(goal).magnitude)
    per_goal = float(registry.Quantity(1.0, goal).to(source).magnitude)
    # The side that is a whole number is exact: 1000, 60, 100.
    if per_source < 1 and abs(per_goal - round(per_goal)) < 1e-9 * per_goal:
        return 1.0 / round(per_goal)
    if abs(per_source - round(per_source)) < 1e-9 * per_source:
        return float(round(per_source))
    return per_source


@lru_cache(maxsize=1024)
def _units(unit: str) -> Any:
    return _registry().Quantity(unit).units
