"""Standard exercise protocols, one TOML file each, with where each is from.

A protocol with branches, whose next stage depends on the heart rate of the last, is here as one protocol a branch; the
notes say which branch is for whom.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Literal

#: Exact: 1 mile is 1609.344 m. Printed treadmill protocols give miles per hour.
_KM_H_PER_MPH = 1.609344
#: 1 W is 60/9.80665 kgm/min. Printed cycle protocols for mechanically braked ergometers give kgm/min.
_KGM_MIN_PER_W = 60 / 9.80665


@dataclass(frozen=True, slots=True)
class ProtocolStage:
    """One stage.

    Attributes
    ----------
    phase : {"rest", "warm_up", "exercise", "recovery"}
    duration_s : float
        Seconds; of a ramp, the longest it is planned for.
    work_rate_w : float or None
        W; of a ramp, at its start.
    speed_km_h, grade_percent, cadence_per_min : float or None
    ramp_w_per_min : float or None
        How fast the work rate rises within the stage.
    """

    phase: Literal["rest", "warm_up", "exercise", "recovery"]
    duration_s: float
    work_rate_w: float | None = None
    speed_km_h: float | None = None
    grade_percent: float | None = None
    cadence_per_min: float | None = None
    ramp_w_per_min: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Protocol:
    """One standard protocol.

    Attributes
    ----------
    id, name : str
    family : str
        Tests of one family make one series.
    mode : str
    shape : {"step", "ramp", "constant", "field", "other"}
    purpose : {"maximal", "submaximal", "verification", "other"}
    source : str
        Citation key, or that it is common practice.
    notes : str
    stages : tuple of ProtocolStage
    """

    id: str
    name: str
    family: str
    mode: Literal["treadmill", "cycle", "arm", "row", "ski", "step", "walk", "run"]
    shape: Literal["step", "ramp", "constant", "field", "other"]
    purpose: Literal["maximal", "submaximal", "verification", "other"]
    source: str
    notes: str
    stages: tuple[ProtocolStage, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON form of the protocol resource."""
        return {
            "id": self.id,
            "name": self.name,
            "family": self.family,
            "mode": self.mode,
            "shape": self.shape,
            "purpose": self.purpose,
            "source": self.source,
            "stages": [stage.as_dict() for stage in self.stages],
        }


def _stage(fields: Mapping[str, Any]) -> ProtocolStage:
    known = dict(fields)
    if (mph := known.pop("speed_mph", None)) is not None:
        known["speed_km_h"] = round(mph * _KM_H_PER_MPH, 6)
    if (kgm := known.pop("work_rate_kgm_min", None)) is not None:
        known["work_rate_w"] = round(kgm / _KGM_MIN_PER_W, 6)
    phase = known.pop("phase")
    return ProtocolStage(phase, **{name: float(value) for name, value in known.items()})


def load_protocols() -> tuple[Protocol, ...]:
    """Read the standard protocols, by id.

    Returns
    -------
    tuple of Protocol
        Speeds printed in miles per hour and work rates printed in kgm/min are converted exactly.
    """
    protocols = []
    for entry in files(__name__).iterdir():
        if entry.name.endswith(".toml"):
            document = tomllib.loads(entry.read_text(encoding="utf-8"))
            stages = tuple(_stage(fields) for fields in document.pop("stages"))
            protocols.append(Protocol(**document, stages=stages))
    return tuple(sorted(protocols, key=lambda protocol: protocol.id))


STANDARD_PROTOCOLS: Mapping[str, Protocol] = MappingProxyType(
    {protocol.id: protocol for protocol in load_protocols()}
)
