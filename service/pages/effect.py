"""What a change of a test would do, shown before it is stored."""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from service.analyses.workflow import Foreseen
from service.analysis.summary import RESULT_PLACES
from service.conclusions.queries import is_signed
from service.errors import Conflict
from service.exercise_tests import queries as tests
from service.http.dependencies import TestRef
from service.outlets.text import PLATEAU, VERDICTS
from service.quantities import QUANTITIES
from service.subjects import queries as subjects
from service.visits import queries as visits

#: Shown whether they change or not.
_ALWAYS = ("vo2_peak_ml_min", "vo2_peak_ml_kg_min")

#: Parts of an analysis whose numbers are not told one by one.
_PARTS = {
    "thresholds": "thresholds",
    "training_ranges": "ranges for training",
    "slopes": "slopes",
    "steady_state": "steady stages",
    "energy": "energy and fuel",
    "gas_exchange": "gas exchange",
    "reserves": "reserves",
    "recovery": "recovery of heart rate",
    "ranks": "standing",
}
#: What is foreseen before a reason is given; it is never stored.
NOT_YET = "not said yet"

Finding = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Effect:
    """What would be otherwise in one test.

    Attributes
    ----------
    test_id : str
    verdicts : list of (str, str, str)
        Head, words before and after.
    numbers : list of (str, str, float or None, float or None)
        Label, quantity, value before and after: the peak, and every result that changes.
    parts : list of str
        What else has other numbers then.
    come, gone : list of dict
        Findings that are new or say something else then, and those that the test would not have any more.
    """

    test_id: str
    verdicts: list[tuple[str, str, str]]
    numbers: list[tuple[str, str, float | None, float | None]]
    parts: list[str]
    come: list[Finding]
    gone: list[Finding]

    @property
    def results_stay(self) -> bool:
        """Whether every result and verdict stays as it is."""
        return all(before == after for *_, before, after in (*self.verdicts, *self.numbers))

    @property
    def nothing(self) -> bool:
        """Whether everything stays as it is."""
        return self.results_stay and not (self.parts or self.come or self.gone)


def head_of(session: Session, ref: TestRef, otherwise: str) -> dict[str, Any]:
    """What the pages of a change show of the test: the person, the day, and whether it is signed.

    Raises
    ------
    Conflict
        The test is not complete; `otherwise` says what that is about.
    """
    test = tests.out(session, ref.test_pk)
    if test.status != "complete":
        raise Conflict(f"The test is {test.status}; {otherwise}")
    return {
        "subject": subjects.get(session, ref.subject_pk),
        "test": test,
        "signed": is_signed(session, ref.test_pk),
        "day": visits.in_own_offset(visits.get(session, ref.visit_pk)).date(),
    }


def effect_of(foreseen: Foreseen) -> Effect:
    """What was foreseen, in words and numbers."""
    before, after = foreseen.before, foreseen.after
    come = _only_in(after["findings"], before["findings"])
    # One whose numbers alone change is told once, as it would be then.
    still = {one["code"] for one in come}
    return Effect(
        before["test_id"],
        [
            ("Label of the peak", _label(before), _label(after)),
            ("Effort", VERDICTS[before["effort"]["verdict"]], VERDICTS[after["effort"]["verdict"]]),
            ("Plateau", PLATEAU[before["plateau"]["verdict"]], PLATEAU[after["plateau"]["verdict"]]),
        ],
        list(_numbers(foreseen)),
        [words for part, words in _PARTS.items() if before[part] != after[part]],
        come,
        [one for one in _only_in(before["findings"], after["findings"]) if one["code"] not in still],
    )


def effects_of(foreseen: Sequence[Foreseen]) -> list[Effect]:
    """The test itself, then others that the change moves."""
    own, *others = [effect_of(one) for one in foreseen]
    return [own, *(one for one in others if not one.nothing)]


def seen_of(*parts: object) -> str:
    """What was shown, as a form holds it: only what was shown is stored."""
    return hashlib.sha256(repr(parts).encode()).hexdigest()


def _label(document: dict[str, Any]) -> str:
    return document["peak"]["label"] or "none"


def _numbers(foreseen: Foreseen) -> Iterator[tuple[str, str, float | None, float | None]]:
    # Only a maximal test has results of a trend; what the analysis holds is compared in any test.
    changed = {one["quantity"]: (one["before"], one["after"]) for one in foreseen.changed}
    for quantity, (part, field) in RESULT_PLACES.items():
        pair = foreseen.before[part].get(field), foreseen.after[part].get(field)
        if quantity in _ALWAYS or pair[0] != pair[1]:
            changed.setdefault(quantity, pair)
    for quantity in sorted(changed, key=list(QUANTITIES).index):
        yield QUANTITIES[quantity].label, quantity, *changed[quantity]


def _only_in(these: list[Finding], those: list[Finding]) -> list[Finding]:
    known = {(one["code"], one["message"]) for one in those}
    return [one for one in these if (one["code"], one["message"]) not in known]
