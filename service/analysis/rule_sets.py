"""Sets of secondary criteria of effort, as data: the built-in ones, and how a site's own is read and checked.

A set names criteria, where each is met and which of them count. The order of the verdicts is no part of it.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from types import MappingProxyType
from typing import Any, Literal

from service.analysis.series import Mode, Sex
from service.errors import InvalidContent, Place
from service.methods.catalogue import METHODS

CriterionKind = Literal[
    "respiratory_exchange_ratio", "perceived_exertion", "blood_lactate", "heart_rate_near_predicted"
]
ComparedAs = Literal["value", "bpm_below_predicted", "percent_of_predicted"]
ChosenBy = Literal["request", "cohort", "site", "default"]

DEFAULT_RULES = "default"
AGE_SPECIFIC_RULES = "wagner_2020_cycle"

CRITERION_KINDS: tuple[CriterionKind, ...] = (
    "respiratory_exchange_ratio",
    "perceived_exertion",
    "blood_lactate",
    "heart_rate_near_predicted",
)
#: Fewer would let one number decide.
FEWEST_NEEDED = 2

#: Least and greatest cut-off of a criterion, and why (limits of this project). Keyed by kind, and by the scale of a rating
#: or what a heart rate is compared as.
LIMITS: Mapping[tuple[str, str], tuple[float, float, str]] = MappingProxyType(
    {
        ("respiratory_exchange_ratio", "value"): (
            1.00,
            1.50,
            "a ratio below 1.00 speaks for a submaximal effort",
        ),
        ("perceived_exertion", "6-20"): (16.0, 20.0, "a rating up to 15 speaks for a submaximal effort"),
        ("perceived_exertion", "0-10"): (6.0, 10.0, "5 is about the middle of the scale"),
        ("blood_lactate", "value"): (2.0, 25.0, "less is seen at rest"),
        ("heart_rate_near_predicted", "bpm_below_predicted"): (0.0, 20.0, "it is a margin in beats/min"),
        ("heart_rate_near_predicted", "percent_of_predicted"): (
            85.0,
            110.0,
            "less than 85 % speaks for a submaximal effort",
        ),
    }
)

_SCALES = ("6-20", "0-10")
_OLDEST_YEARS = 120


@dataclass(frozen=True, slots=True)
class Cut:
    """Where a criterion is met, and for whom.

    Attributes
    ----------
    threshold : float
        Ratio, rating, mmol/L, beats/min below predicted or per cent of predicted.
    scale : {"6-20", "0-10"}, optional
        Of a rating.
    sex : {"female", "male"}, optional
        Both where left out.
    age_low_years, age_high_years : int, optional
        Completed years, both inclusive; any age where left out.
    """

    threshold: float
    scale: str | None = None
    sex: Sex | None = None
    age_low_years: int | None = None
    age_high_years: int | None = None

    @property
    def ages(self) -> tuple[int, int] | None:
        """Youngest and oldest completed year; None for any age."""
        if self.age_low_years is None or self.age_high_years is None:
            return None
        return self.age_low_years, self.age_high_years

    def meets(self, other: "Cut") -> bool:
        """Whether somebody falls under both."""
        if self.scale != other.scale or (self.sex and other.sex and self.sex != other.sex):
            return False
        mine, others = self.ages or (0, _OLDEST_YEARS), other.ages or (0, _OLDEST_YEARS)
        return mine[0] <= others[1] and others[0] <= mine[1]


@dataclass(frozen=True, slots=True)
class CriterionRule:
    """One criterion of a set.

    Attributes
    ----------
    criterion : str
        One of `CRITERION_KINDS`.
    cuts : tuple of Cut
        At most one of them covers a person.
    source : str
        Citation keys, or whose rule it is.
    counts : bool
        Whether it may be one of those that are needed; a heart rate never is, since predicted maxima have an SD of 10
        to 12 beats/min.
    modes : tuple of str
        Modes it can be asked for; any where empty.
    compared_as : {"value", "bpm_below_predicted", "percent_of_predicted"}
        The last two for a heart rate.
    method : str, optional
        Prediction of maximal heart rate; that of the settings where left out.
    """

    criterion: CriterionKind
    cuts: tuple[Cut, ...]
    source: str
    counts: bool = True
    modes: tuple[Mode, ...] = ()
    compared_as: ComparedAs = "value"
    method: str | None = None


@dataclass(frozen=True, slots=True)
class RuleSet:
    """A set of secondary criteria of effort.

    Attributes
    ----------
    id, name, source : str
    population : str
        Whom it is for.
    criteria : tuple of CriterionRule
        One of a kind, in the order they are shown.
    criteria_needed : int
        How many of different kinds show a maximal effort; at least 2.
    built_in : bool
        Whether it comes with the program.
    """

    id: str
    name: str
    source: str
    population: str
    criteria: tuple[CriterionRule, ...]
    criteria_needed: int = FEWEST_NEEDED
    built_in: bool = False

    def as_document(self) -> dict[str, Any]:
        """JSON form, from which `rule_set_of` makes the same set."""
        return {
            "id": self.id,
            "name": self.name,
            "source": self.source,
            "population": self.population,
            "criteria_needed": self.criteria_needed,
            "criteria": [
                {
                    "criterion": one.criterion,
                    "counts": one.counts,
                    "modes": list(one.modes),
                    "compared_as": one.compared_as,
                    "method": one.method,
                    "source": one.source,
                    "thresholds": [asdict(cut) for cut in one.cuts],
                }
                for one in self.criteria
            ],
        }


_RATING = CriterionRule(
    "perceived_exertion", (Cut(17.0, "6-20"), Cut(8.0, "0-10")), "howley_1995; borg_1982 (value from memory)"
)
_LACTATE = CriterionRule("blood_lactate", (Cut(8.0),), "howley_1995; edvardsen_2014")

#: Youngest and oldest completed year, ratio, per cent of 208 - 0.7 age (wagner_2020).
AGE_BANDS: tuple[tuple[int, int, float, float], ...] = (
    (20, 39, 1.13, 93.0),
    (40, 59, 1.10, 92.0),
    (60, 69, 1.06, 89.0),
)

RULE_SETS: Mapping[str, RuleSet] = MappingProxyType(
    {
        one.id: one
        for one in (
            RuleSet(
                DEFAULT_RULES,
                "Common criteria, the same at all ages",
                "howley_1995; edvardsen_2014; borg_1982; common practice",
                "Adults, whatever their age and sex, in any mode. Many exhaustive tests, above all of older people, miss a "
                "ratio of 1.10.",
                (
                    CriterionRule("respiratory_exchange_ratio", (Cut(1.10),), "howley_1995"),
                    _RATING,
                    _LACTATE,
                    CriterionRule(
                        "heart_rate_near_predicted",
                        (Cut(10.0),),
                        "common practice",
                        counts=False,
                        compared_as="bpm_below_predicted",
                    ),
                ),
                built_in=True,
            ),
            RuleSet(
                AGE_SPECIFIC_RULES,
                "Ratio and heart rate by age, for the cycle, 20 to 69 years; rating and lactate as in the common set",
                "wagner_2020",
                "Cycle tests of adults of 20 to 69 years; elsewhere its ratio and heart rate are not assessable.",
                (
                    CriterionRule(
                        "respiratory_exchange_ratio",
                        tuple(
                            Cut(ratio, age_low_years=low, age_high_years=high)
                            for low, high, ratio, _ in AGE_BANDS
                        ),
                        "wagner_2020",
                        modes=("cycle",),
                    ),
                    _RATING,
                    _LACTATE,
                    CriterionRule(
                        "heart_rate_near_predicted",
                        tuple(
                            Cut(percent, age_low_years=low, age_high_years=high)
                            for low, high, _, percent in AGE_BANDS
                        ),
                        "wagner_2020",
                        counts=False,
                        modes=("cycle",),
                        compared_as="percent_of_predicted",
                        method="heart_rate_max_tanaka",
                    ),
                ),
                built_in=True,
            ),
        )
    }
)


def find_rule_set(rule_set_id: str, own: Iterable[RuleSet] = (), *, where: str = "effort_rules") -> RuleSet:
    """The set with this id, built-in or the site's own.

    Raises
    ------
    InvalidContent
        There is none.
    """
    known = {**RULE_SETS, **{one.id: one for one in own}}
    if rule_set_id not in known:
        names = ", ".join(known)
        raise InvalidContent(
            f"There is no set of effort rules {rule_set_id!r}; use one of {names}.",
            (Place(where, f"one of {names}", rule_set_id),),
        )
    return known[rule_set_id]


def heart_rate_methods() -> tuple[str, ...]:
    """Ids of the methods that predict maximal heart rate."""
    return tuple(one.id for one in METHODS.values() if one.predicts and one.quantity == "heart_rate_max_bpm")


def rule_set_of(document: Mapping[str, Any]) -> RuleSet:
    """The set that a stored document tells; it was checked when it was made.

    Parameters
    ----------
    document : mapping
        As `RuleSet.as_document`.
    """
    return RuleSet(
        document["id"],
        document["name"],
        document["source"],
        document["population"],
        tuple(
            CriterionRule(
                one["criterion"],
                tuple(Cut(**cut) for cut in one["thresholds"]),
                one["source"],
                one["counts"],
                tuple(one["modes"]),
                one["compared_as"],
                one["method"],
            )
            for one in document["criteria"]
        ),
        document["criteria_needed"],
    )


def checked_rule_set(document: Mapping[str, Any], *, where: str = "") -> RuleSet:
    """Make a site's own set from its document, with everything about it checked.

    Parameters
    ----------
    document : mapping
        As `RuleSet.as_document`: names, types and texts are those of the wire; what is checked here is what they mean.
    where : str
        What the places of errors begin with.

    Returns
    -------
    RuleSet

    Raises
    ------
    InvalidContent
        Every fault with its place.
    """
    made = rule_set_of(document)
    prefix = f"{where}." if where else ""
    faults = [*_wrong_set(made, prefix)]
    for place, rule in enumerate(made.criteria):
        faults += _wrong_criterion(rule, f"{prefix}criteria.{place}")
    if faults:
        raise InvalidContent(
            f"The rule set cannot be used: {faults[0].location}: {faults[0].message}"
            + (f" (and {len(faults) - 1} more)." if len(faults) > 1 else "."),
            tuple(faults),
        )
    return made


def _wrong_set(made: RuleSet, prefix: str) -> Iterator[Place]:
    seen: set[str] = set()
    for place, rule in enumerate(made.criteria):
        if rule.criterion in seen:
            yield Place(
                f"{prefix}criteria.{place}.criterion", "comes twice; a set has one of a kind", rule.criterion
            )
        seen.add(rule.criterion)
    if made.criteria_needed < FEWEST_NEEDED:
        yield Place(
            f"{prefix}criteria_needed",
            f"is at least {FEWEST_NEEDED}: one criterion alone shows no maximal effort",
            made.criteria_needed,
        )
    counting = sum(rule.counts for rule in made.criteria)
    if made.criteria_needed > counting:
        yield Place(
            f"{prefix}criteria_needed",
            f"is more than the {counting} criteria that count, so nobody could meet it",
            made.criteria_needed,
        )


def _wrong_criterion(rule: CriterionRule, where: str) -> Iterator[Place]:
    of_heart_rate = rule.criterion == "heart_rate_near_predicted"
    if of_heart_rate and rule.counts:
        yield Place(
            f"{where}.counts",
            "is false for a heart rate: predicted maxima have an SD of 10 to 12 beats/min, so it is shown and never counted",
            value=True,
        )
    if of_heart_rate == (rule.compared_as == "value"):
        wanted = "bpm_below_predicted or percent_of_predicted" if of_heart_rate else "value"
        yield Place(f"{where}.compared_as", f"is {wanted} for {rule.criterion}", rule.compared_as)
        return
    if rule.method is not None and not of_heart_rate:
        yield Place(f"{where}.method", "is for a heart rate only", rule.method)
    elif rule.method is not None and rule.method not in heart_rate_methods():
        yield Place(f"{where}.method", f"is one of {', '.join(heart_rate_methods())}", rule.method)
    if len(set(rule.modes)) < len(rule.modes):
        yield Place(f"{where}.modes", "names a mode twice", list(rule.modes))
    for place, cut in enumerate(rule.cuts):
        yield from _wrong_cut(rule, cut, f"{where}.thresholds.{place}")
    for (_, first), (place, second) in combinations(enumerate(rule.cuts), 2):
        if first.meets(second):
            yield Place(
                f"{where}.thresholds.{place}",
                "covers people whom another threshold covers too",
                asdict(second),
            )


def _wrong_cut(rule: CriterionRule, cut: Cut, where: str) -> Iterator[Place]:
    of_rating = rule.criterion == "perceived_exertion"
    if of_rating != (cut.scale is not None):
        told = f"is one of {', '.join(_SCALES)} for a rating" if of_rating else "is for a rating only"
        yield Place(f"{where}.scale", told, cut.scale)
        return
    low, high, why = LIMITS[rule.criterion, cut.scale or rule.compared_as]
    if not low <= cut.threshold <= high:
        yield Place(f"{where}.threshold", f"lies between {low:g} and {high:g}: {why}", cut.threshold)
    if (cut.age_low_years is None) != (cut.age_high_years is None):
        yield Place(f"{where}.age_low_years", "and age_high_years are given together or not at all")
    elif cut.ages is not None and cut.ages[0] > cut.ages[1]:
        yield Place(f"{where}.age_low_years", "lies above age_high_years", cut.age_low_years)


def cut_for(
    rule: CriterionRule,
    *,
    mode: str | None,
    sex: str | None,
    ages: tuple[float, float] | None,
    scale: str | None = None,
) -> tuple[Cut | None, str | None]:
    """The cut-off that covers a person, or why there is none.

    Parameters
    ----------
    rule : CriterionRule
    mode, sex : str or None
        Of the test and the person.
    ages : (float, float) or None
        Lowest and highest possible age in years; they differ where only the year of birth is known.
    scale : str, optional
        Of the rating that was noted.

    Returns
    -------
    Cut or None
    reason : str or None
    """
    if rule.modes and mode not in rule.modes:
        return None, f"These cut-offs are for the {' or '.join(rule.modes)}; this test was on: {mode}."
    cuts = list(rule.cuts)
    if rule.criterion == "perceived_exertion":
        if scale is None:
            return None, "The scale of the rating is not recorded."
        cuts = [cut for cut in cuts if cut.scale == scale]
        if not cuts:
            return None, f"The rule set has no cut-off on the scale {scale}."
    if any(cut.sex is not None for cut in cuts):
        if sex is None:
            return None, "The sex is not known, and the cut-offs differ by sex."
        cuts = [cut for cut in cuts if cut.sex in {None, sex}]
        if not cuts:
            return None, f"These cut-offs are for {'women' if sex == 'male' else 'men'}."
    return _by_age(cuts, ages)


def _by_age(cuts: Sequence[Cut], ages: tuple[float, float] | None) -> tuple[Cut | None, str | None]:
    if len(cuts) == 1 and cuts[0].ages is None:
        return cuts[0], None
    if ages is None:
        return None, "The age is not known."
    found = [_covering(cuts, age) for age in ages]
    if found == [None, None]:
        age = sum(ages) / 2
        return None, f"These cut-offs are for {_covered_ages(cuts)} years; the age is {age:.1f}."
    first, last = found
    if first is None or last is None or first.threshold != last.threshold:
        return (
            None,
            f"The age may be {ages[0]:.1f} or {ages[1]:.1f} years, which fall in different age bands.",
        )
    return first, None


def _covering(cuts: Sequence[Cut], age_years: float) -> Cut | None:
    year = int(age_years // 1)
    return next((cut for cut in cuts if cut.ages is None or cut.ages[0] <= year <= cut.ages[1]), None)


def _covered_ages(cuts: Sequence[Cut]) -> str:
    """The ages that are covered, bands that follow each other as one."""
    joined: list[list[int]] = []
    for low, high in sorted(cut.ages for cut in cuts if cut.ages is not None):
        if joined and low <= joined[-1][1] + 1:
            joined[-1][1] = max(joined[-1][1], high)
        else:
            joined.append([low, high])
    return " and ".join(f"{low} to {high}" for low, high in joined)
