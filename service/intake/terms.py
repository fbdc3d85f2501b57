"""The words of the trade by which columns are recognised, and how a header is taken apart.

The table holds terms of exercise physiology in English and, for the files with decimal commas, the plain words of
some other languages. It follows no program's column set.
"""

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from service.intake.measures import MEASURES, Measure
from service.intake.options import TimeMarks, VolumeCondition
from service.intake.units import parse_unit

RpeScale = Literal["6-20", "0-10"]

# Measure -> its terms; compared without case, accents, blanks and signs.
_TERMS: dict[str, str] = {
    "vo2": "VO2; oxygen uptake; oxygen consumption; O2 uptake; O2 consumption; Sauerstoffaufnahme; O2-Aufnahme; "
    "consommation d'oxygène; consommation O2; consumo de oxígeno; consumo di ossigeno; zuurstofopname; "
    "consumo de oxigénio; syreupptag; oksygenopptak; iltoptagelse",
    "vo2_per_mass": "VO2/kg; VO2 per kg; VO2 kg; relative VO2; VO2 rel; VO2 relative; rel VO2; VO2/body mass; VO2/BM; "
    "VO2/weight; oxygen uptake per kg; oxygen uptake per body mass; relative oxygen uptake",
    "vco2": "VCO2; carbon dioxide output; carbon dioxide production; CO2 output; CO2 production; "
    "Kohlendioxidabgabe; CO2-Abgabe; Kohlendioxidproduktion; production de CO2; producción de CO2; "
    "koolstofdioxideproductie; produzione di CO2",
    "vco2_per_mass": "VCO2/kg; VCO2 per kg; VCO2 kg",
    "ve": "VE; minute ventilation; ventilation; expired ventilation; pulmonary ventilation; V'E; VE exp; "
    "Ventilation minute; Atemminutenvolumen; AMV; Minutenventilation; ventilación; ventilación minuto; "
    "ventilazione; ventilatie; ademminuutvolume",
    "heart_rate": "HR; heart rate; heartrate; pulse; pulse rate; heart frequency; cardiac frequency; HF; Herzfrequenz; "
    "Puls; FC; fréquence cardiaque; frecuencia cardíaca; frequenza cardiaca; hartfrequentie; hartslag; "
    "frequência cardíaca; hjärtfrekvens; hjertefrekvens; syke; tętno",
    "respiratory_rate": "Rf; BF; RR; fR; fB; respiratory rate; respiration rate; breathing frequency; "
    "respiratory frequency; breathing rate; breath frequency; breath rate; Atemfrequenz; AF; "
    "fréquence respiratoire; FR; frecuencia respiratoria; frequenza respiratoria; ademfrequentie; "
    "ademhalingsfrequentie",
    "work_rate": "work rate; workrate; workload; work load; load; WR; WL; external load; Belastung; Last; charge; carga; "
    "carico; belasting",
    "power": "power; power output; mechanical power; Leistung; puissance; potencia; potenza; vermogen; "
    "effekt; moc; watt; watts; watt load; load watt",
    "speed": "speed; velocity; treadmill speed; belt speed; running speed; walking speed; Geschwindigkeit; vitesse; "
    "velocidad; velocità; snelheid; velocidade; hastighet; prędkość; km/h; mph",
    "grade": "grade; gradient; slope; incline; inclination; treadmill grade; elevation grade; Steigung; Neigung; pente; "
    "pendiente; inclinación; pendenza; helling; hellingshoek; inclinação; lutning; stigning",
    "feo2": "FEO2; FE O2; mixed expired O2; mixed expired oxygen; expired O2 fraction; expired O2; O2 expired; "
    "fraction of expired O2; expired oxygen fraction",
    "feco2": "FECO2; FE CO2; mixed expired CO2; mixed expired carbon dioxide; expired CO2 fraction; expired CO2; "
    "CO2 expired; fraction of expired CO2; expired carbon dioxide fraction",
    "tidal_volume": "VT; tidal volume; TV; Vt exp; VT ex; expired tidal volume; Atemzugvolumen; AZV; volume courant; "
    "volumen corriente; volume corrente; ademvolume; teugvolume",
    "peto2": "PETO2; end-tidal O2; end tidal O2; end-tidal PO2; end tidal oxygen; end-tidal oxygen pressure",
    "petco2": "PETCO2; end-tidal CO2; end tidal CO2; end-tidal PCO2; end tidal carbon dioxide; "
    "end-tidal carbon dioxide pressure",
    "spo2": "SpO2; SaO2; O2 saturation; oxygen saturation; saturation; pulse oximetry; Sauerstoffsättigung; "
    "saturation en oxygène; saturación; zuurstofsaturatie",
    "cadence": "cadence; pedal rate; pedalling rate; pedaling rate; pedal frequency; rpm; revolutions; stroke rate; "
    "step rate; Trittfrequenz; Drehzahl; cadencia; cadenza; trapfrequentie; kadens",
    "rer": "RER; RQ; R; respiratory exchange ratio; respiratory quotient; gas exchange ratio; VCO2/VO2; "
    "respiratorischer Quotient; quotient respiratoire; cociente respiratorio; respiratoir quotiënt",
    "ve_vo2": "VE/VO2; EqO2; EQ O2; ventilatory equivalent for O2; ventilatory equivalent O2; "
    "ventilatory equivalent for oxygen; Atemäquivalent O2; VE VO2 ratio",
    "ve_vco2": "VE/VCO2; EqCO2; EQ CO2; ventilatory equivalent for CO2; ventilatory equivalent CO2; "
    "ventilatory equivalent for carbon dioxide; Atemäquivalent CO2",
    "mets": "MET; METs; METS; metabolic equivalent; metabolic equivalents",
    "o2_pulse": "O2 pulse; oxygen pulse; VO2/HR; O2-Puls; Sauerstoffpuls; pouls d'oxygène; zuurstofpols",
    "rpe": "RPE; perceived exertion; rating of perceived exertion; Borg; Borg scale; Borg CR10; Borg RPE; "
    "RPE overall; perceived effort; exertion",
    "rpe_legs": "RPE legs; Borg legs; RPE leg; leg fatigue; legs exertion; leg exertion",
    "rpe_breathing": "RPE breathing; Borg dyspnoea; Borg dyspnea; dyspnoea; dyspnea; RPE breath; breathlessness; "
    "Borg breathing",
    "lactate": "lactate; blood lactate; La; BLa; [La]; lactate concentration; Laktat; lactato; lattato; lactaat; laktat; "
    "mleczan",
    "systolic": "SBP; systolic; systolic blood pressure; systolic BP; BP systolic; BP sys; sys BP; blood pressure systolic; "
    "systolisch; RR syst; PAS; TAS",
    "diastolic": "DBP; diastolic; diastolic blood pressure; diastolic BP; BP diastolic; BP dia; dia BP; "
    "blood pressure diastolic; diastolisch; RR diast; PAD; TAD",
    "blood_pressure": "BP; blood pressure; Blutdruck; bloeddruk; tension artérielle; tensión arterial",
    "phase": "phase; test phase; Phase; fase; faza; period",
    "stage": "stage; step; level; stage number; stage no; Stufe; palier; étape; etapa; trap; stadio; trin; step no; "
    "work stage",
    "comment": "comment; comments; note; notes; remark; remarks; Bemerkung; Bemerkungen; Kommentar; commentaire; "
    "remarque; comentario; opmerking; event; marker text",
    "symptoms": "symptoms; symptom; Symptome; symptômes; síntomas; klachten",
    "time": "time; t; elapsed time; test time; time elapsed; elapsed; relative time; recording time; Zeit; Testzeit; "
    "temps; tiempo; tempo; tijd; tid; czas",
    "end": "end; end time; time end; t end; interval end; end of interval; until; Ende; fin; einde",
    "start": "start; start time; time start; t start; interval start; start of interval; begin; from; Beginn; début; "
    "inicio",
    "duration": "duration; interval duration; interval length; dt; Dauer; durée; duración; durata; duur",
    "clock_time": "clock; clock time; time of day; Uhrzeit; heure; hora; ora; kloktijd; local time",
}

#: Names that are units themselves.
_UNIT_IN_NAME = {
    "watt": "W",
    "watts": "W",
    "w": "W",
    "kmh": "km/h",
    "mph": "mph",
    "rpm": "rpm",
    "mets": "MET",
    "met": "MET",
    "bpm": "bpm",
}

#: Said of a value without changing what it is.
_NOISE = frozenset(
    {
        "mean",
        "avg",
        "average",
        "measured",
        "raw",
        "value",
        "actual",
        "current",
        "ecg",
        "strap",
        "belt",
        "mixed",
    }
)
_CONDITIONS: dict[str, VolumeCondition] = {"btps": "btps", "atps": "atps", "stpd": "stpd"}
#: A longer text is no header, and is not searched for one.
_LONGEST_HEADER = 120
#: What a word beside a plain time column says it marks.
_MARKS: dict[str, TimeMarks] = {
    **dict.fromkeys(("end", "interval end", "end of interval", "ende", "fin"), "end"),
    **dict.fromkeys(("start", "begin", "interval start", "start of interval", "beginn"), "start"),
}

# Words of the trade for the phases, in the order of `PHASES`.
_PHASE_TERMS: tuple[str, ...] = (
    "rest; resting; baseline; pre; Ruhe; repos; reposo; rust; riposo; repouso; vila; hvile",
    (
        "warm-up; warm up; warm; unloaded; unloaded pedalling; unloaded pedaling; freewheeling; Leertreten; Aufwärmen; "
        "Aufwärmphase; warming-up; échauffement; calentamiento; riscaldamento; aquecimento"
    ),
    (
        "exercise; exercising; test; load; work; ramp; incremental; effort; Belastung; exercice; ejercicio; esfuerzo; "
        "esercizio; exercício; inspanning; belasting; arbete; arbeid"
    ),
    (
        "recovery; recover; cool-down; cool down; cooling-down; post; post exercise; Erholung; Nachbelastung; "
        "récupération; recuperación; recupero; recuperação; herstel; återhämtning; restitution"
    ),
)


def plain(text: str) -> str:
    """Letters and digits alone, without case and accents; subscripts are digits, V-dot is V."""
    spread = unicodedata.normalize("NFKD", text.casefold())
    return "".join(sign for sign in spread if sign.isalnum())


_BY_TERM: dict[str, str] = {
    plain(term): measure for measure, terms in _TERMS.items() for term in terms.split(";")
}
_BY_TERM["w"] = "power"


def known_terms() -> dict[str, tuple[str, ...]]:
    """The terms of each measure, by its name in `MEASURES`, as people write them."""
    return {measure: tuple(term.strip() for term in terms.split(";")) for measure, terms in _TERMS.items()}


_PHASE_WORDS: dict[str, int] = {
    plain(word): index for index, words in enumerate(_PHASE_TERMS) for word in words.split(";")
}


@dataclass(frozen=True, slots=True)
class HeaderReading:
    """What a header says.

    Attributes
    ----------
    measure : Measure
    unit : str or None
        Parsed unit.
    unit_text : str or None
        The unit as written, also where it is not known.
    condition : {"btps", "atps", "stpd"} or None
    marks : {"end", "start"} or None
        What a time column says it marks.
    rpe_scale : {"6-20", "0-10"} or None
    """

    measure: Measure
    unit: str | None = None
    unit_text: str | None = None
    condition: VolumeCondition | None = None
    marks: TimeMarks | None = None
    rpe_scale: RpeScale | None = None


@dataclass(frozen=True, slots=True)
class UnitReading:
    """What a cell of a units line, or a bracket, says."""

    unit: str | None = None
    unit_text: str | None = None
    condition: VolumeCondition | None = None
    marks: TimeMarks | None = None
    rpe_scale: RpeScale | None = None


def read_unit_text(text: str, *, underscores: bool = False) -> UnitReading:
    """A unit with the words that may stand beside it (``L/min BTPS``, ``s, end``)."""
    if len(text) > _LONGEST_HEADER:
        return UnitReading(unit_text=text[:40])
    condition: VolumeCondition | None = None
    for word, meaning in _CONDITIONS.items():
        # An underscore is no edge of a word for \b.
        stripped = re.sub(rf"[\s,;_]*(?<![^\W_]){word}(?![^\W_])[\s,;_]*", " ", text, flags=re.IGNORECASE)
        if stripped != text:
            condition, text = meaning, stripped
    text = text.strip(" ,;")
    low = text.casefold().strip("[](){} ")
    if low in _MARKS:
        return UnitReading(marks=_MARKS[low], condition=condition)
    scale = _scale(low)
    if scale is not None:
        return UnitReading(unit=parse_unit("1"), unit_text=text, rpe_scale=scale)
    if low in {"", "-", "--", "–", "—", "none"}:
        return UnitReading(condition=condition)
    unit = parse_unit(text, underscores=underscores)
    return UnitReading(unit=unit, unit_text=text, condition=condition)


def _scale(low: str) -> RpeScale | None:
    condensed = re.sub(r"[\s–—]", "", low.replace("–", "-"))
    if condensed in {"6-20", "borg6-20", "6to20"}:
        return "6-20"
    if condensed in {"0-10", "cr10", "borgcr10", "cr-10", "borg0-10"}:
        return "0-10"
    return None


@lru_cache(maxsize=4096)
def read_header(text: str) -> HeaderReading | None:
    """A header taken apart into measure, unit and what else it says; None where it means nothing here.

    The unit may stand in brackets, after a comma, a slash, a blank or an underscore. The longest name
    that is a term wins, so that ``VO2/kg`` is not VO2 in kilograms.
    """
    text = " ".join(text.split())
    if len(text) > _LONGEST_HEADER:
        return None
    groups = [group.strip() for group in re.findall(r"[\[({<]([^\[\](){}<>]*)[\])}>]", text)]
    if re.search(r"/\s*[(\[]", text) and (whole := _name_and_group(text)) is not None:
        return whole
    rest = re.sub(r"[\[({<][^\[\](){}<>]*[\])}>]", " ", text).strip(" :,;-_")
    if not rest and groups:
        rest, groups = groups[0], groups[1:]
    named = _name_and_tail(rest)
    if named is None:
        return None
    measure, tail = named
    parts = [read_unit_text(group) for group in groups]
    if tail is not None:
        parts.insert(0, tail)
    if measure.name.startswith("rpe") and "cr10" in plain(rest):
        parts.append(UnitReading(rpe_scale="0-10"))
    return _merged(measure, parts)


def _name_and_group(text: str) -> HeaderReading | None:
    """`VO2 ml/(kg min)`: the bracket is part of the unit."""
    named = _name_and_tail(text)
    return None if named is None else _merged(named[0], [named[1]] if named[1] is not None else [])


def _merged(measure: Measure, parts: list[UnitReading]) -> HeaderReading:
    known = next((part for part in parts if part.unit is not None), None)
    unknown = next((part.unit_text for part in parts if part.unit_text is not None), None)
    return HeaderReading(
        measure,
        unit=known.unit if known else None,
        unit_text=known.unit_text if known else unknown,
        condition=next((part.condition for part in parts if part.condition), None),
        marks=next((part.marks for part in parts if part.marks), None),
        rpe_scale=next((part.rpe_scale for part in parts if part.rpe_scale), None),
    )


def _lookup(name: str) -> tuple[Measure, str | None] | None:
    key = plain(name)
    measure = _BY_TERM.get(key)
    if measure is None:
        words = [word for word in re.split(r"[\s_\-.]+", name.casefold()) if word and word not in _NOISE]
        key = plain("".join(words))
        measure = _BY_TERM.get(key)
    return None if measure is None else (MEASURES[measure], _UNIT_IN_NAME.get(key))


def _name_and_tail(rest: str) -> tuple[Measure, UnitReading | None] | None:
    whole = _lookup(rest)
    if whole is not None:
        measure, implied = whole
        return measure, UnitReading(parse_unit(implied), implied) if implied else None
    for position in sorted((found.start() for found in re.finditer(r"[\s,;/_:|-]", rest)), reverse=True):
        name, sign, tail = rest[:position], rest[position], rest[position + 1 :]
        named = _lookup(name)
        if named is None:
            continue
        reading = read_unit_text(tail, underscores=sign in " _" and " " not in tail)
        if reading.unit is None and "_" in rest:
            reading = read_unit_text(tail, underscores=True)
        if reading.unit is not None or reading.condition or reading.marks or reading.rpe_scale:
            return named[0], reading
    return None


def read_phase(text: str) -> int | None:
    """Index of the phase a word of the trade names, or None."""
    key = plain(text).rstrip("0123456789")
    return _PHASE_WORDS.get(key)
