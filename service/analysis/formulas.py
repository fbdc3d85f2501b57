"""Methods of the catalogue applied to what a test measured: an impossible input is a reason, not an error."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.errors import InvalidContent
from service.findings import Finding
from service.methods.catalogue import run


@dataclass(frozen=True, slots=True)
class Applied:
    """What a method gave.

    Attributes
    ----------
    value : float or None
    findings : tuple of Finding
        Inputs outside its range.
    reason : str or None
        Why there is no value.
    """

    value: float | None
    findings: tuple[Finding, ...] = ()
    reason: str | None = None


def applied(method_id: str, inputs: Mapping[str, Any]) -> Applied:
    """Run a method on measured values.

    Parameters
    ----------
    method_id : str
        Key in `service.methods.catalogue.METHODS`.
    inputs : mapping
        By name.

    Returns
    -------
    Applied
    """
    try:
        answer = run(method_id, inputs)
    except InvalidContent as refusal:
        return Applied(None, (), refusal.detail)
    if answer.value is None:
        return Applied(None, answer.findings, " ".join(one.message for one in answer.findings))
    return Applied(answer.value, answer.findings)
