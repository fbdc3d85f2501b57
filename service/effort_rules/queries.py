"""Reads and writes of the site's own rule sets of effort, and who names which; nothing is committed here."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analysis.rule_sets import RULE_SETS, RuleSet, rule_set_of
from service.db.models import Analysis, Cohort, CohortMember, EffortRuleSet, Site, Subject
from service.db.transactions import now
from service.errors import Conflict, HoldsData, NotFound


def own_rule_sets(session: Session) -> tuple[RuleSet, ...]:
    """The site's own sets, in the order they were made."""
    documents = session.scalars(sa.select(EffortRuleSet.document).order_by(EffortRuleSet.id))
    return tuple(rule_set_of(document) for document in documents)


def get(session: Session, rule_set_id: str) -> RuleSet:
    """The set with this id, built-in or the site's own."""
    known = {**RULE_SETS, **{one.id: one for one in own_rule_sets(session)}}
    if rule_set_id not in known:
        raise NotFound(
            f"There is no rule set of effort {rule_set_id[:80]!r}; GET /v1/effort-rule-sets lists them."
        )
    return known[rule_set_id]


def add(session: Session, made: RuleSet) -> None:
    """Store a site's own set."""
    taken = session.scalar(sa.select(EffortRuleSet.id).where(EffortRuleSet.key == made.id))
    if made.id in RULE_SETS or taken is not None:
        raise Conflict(
            f"There is a rule set of effort {made.id!r} already; a set is never changed, so choose another id."
        )
    session.add(EffortRuleSet(key=made.id, document=made.as_document(), created_at=now()))
    session.flush()


def users(session: Session, rule_set_id: str) -> dict[str, int]:
    """How many stored analyses and cohorts name a set, and whether the site does."""
    analyses = session.scalar(
        sa.select(sa.func.count())
        .select_from(Analysis)
        .where(Analysis.settings["effort_rules"].as_string() == rule_set_id)
    )
    cohorts = session.scalar(
        sa.select(sa.func.count()).select_from(Cohort).where(Cohort.effort_rules == rule_set_id)
    )
    of_site = session.scalars(sa.select(Site)).first()
    named = of_site is not None and of_site.settings.get("analysis", {}).get("effort_rules") == rule_set_id
    return {"analyses": analyses or 0, "cohorts": cohorts or 0, "site": int(named)}


def delete(session: Session, rule_set_id: str) -> None:
    """Delete a site's own set that nothing names."""
    if rule_set_id in RULE_SETS:
        raise Conflict(f"The rule set {rule_set_id!r} comes with the program and stays.")
    get(session, rule_set_id)
    holds = users(session, rule_set_id)
    if any(holds.values()):
        raise HoldsData(
            f"The rule set {rule_set_id!r} is in use: by {holds['analyses']} stored analyses, {holds['cohorts']} cohorts and "
            f"{'the site' if holds['site'] else 'not the site'}; nothing was deleted.",
            extra={"holds": holds},
        )
    session.execute(sa.delete(EffortRuleSet).where(EffortRuleSet.key == rule_set_id))


@dataclass(frozen=True, slots=True)
class CohortRules:
    """The rule set that a cohort names for one of its members.

    Attributes
    ----------
    cohort : str
        Its name.
    rule_set : str
    joined_on, left_on : date or None
        Of the membership; open where None.
    """

    cohort: str
    rule_set: str
    joined_on: date | None
    left_on: date | None

    def holds_on(self, day: date) -> bool:
        """Whether the person was a member on this day."""
        return (self.joined_on is None or self.joined_on <= day) and (
            self.left_on is None or day <= self.left_on
        )


def rules_of_cohorts(
    session: Session, subject_pks: Collection[int] | None = None
) -> Mapping[int, list[CohortRules]]:
    """The rule sets that cohorts name, by member; of all members where no subjects are given."""
    statement = (
        sa.select(
            CohortMember.subject_id,
            Cohort.name,
            Cohort.effort_rules,
            CohortMember.joined_on,
            CohortMember.left_on,
        )
        .join(Cohort, Cohort.id == CohortMember.cohort_id)
        .where(Cohort.effort_rules.is_not(None))
        .order_by(Cohort.id)
    )
    if subject_pks is not None:
        statement = statement.where(CohortMember.subject_id.in_(list(subject_pks)))
    answer: dict[int, list[CohortRules]] = {}
    for row in session.execute(statement):
        told = CohortRules(row.name, row.effort_rules, row.joined_on, row.left_on)
        answer.setdefault(row.subject_id, []).append(told)
    return answer


def bump_members(session: Session, cohort_pk: int) -> None:
    """Count a change under every member of a cohort: what its rules say of their tests may be another."""
    members = sa.select(CohortMember.subject_id).where(CohortMember.cohort_id == cohort_pk)
    session.execute(sa.update(Subject).where(Subject.id.in_(members)).values(revision=Subject.revision + 1))
