"""Rule sets of effort over HTTP."""

from fastapi import APIRouter, Response

from service.analysis.references import REFERENCES, cited_keys
from service.analysis.rule_sets import RULE_SETS, RuleSet, checked_rule_set
from service.effort_rules import queries
from service.effort_rules.schemas import RuleSetIn, RuleSetOut
from service.http.answers import created
from service.http.cursors import Page
from service.http.dependencies import Reader, SiteTester, StoreDependency
from service.http.idempotency import OnceDependency

router = APIRouter(prefix="/v1/effort-rule-sets", tags=["effort rules"])


@router.get("")
def list_effort_rule_sets(principal: Reader, store: StoreDependency) -> Page[RuleSetOut]:
    """Built-in rule sets and the site's own, whole: criteria, thresholds, sources and whom each is for."""
    del principal
    with store.read() as session:
        own = queries.own_rule_sets(session)
    return Page(items=[_out(one) for one in (*RULE_SETS.values(), *own)], next=None)


@router.post("", status_code=201, response_model=RuleSetOut)
def create_effort_rule_set(
    body: RuleSetIn, principal: SiteTester, store: StoreDependency, once: OnceDependency
) -> Response:
    """Make a site's own rule set; a request, a cohort or the site may name it from then on. It is never changed."""
    document = body.model_dump(mode="json")
    claim = once.claim(store, document)
    made = checked_rule_set(document, where="body")
    with store.write(principal.name, claim) as transaction:
        queries.add(transaction.session, made)
        transaction.changed("effort_rule_set", made.id, action="created", payload={"after": document})
        return transaction.answer(created(_out(made), f"/v1/effort-rule-sets/{made.id}"))


@router.get("/{rule_set_id}")
def get_effort_rule_set(rule_set_id: str, principal: Reader, store: StoreDependency) -> RuleSetOut:
    """One rule set, whole."""
    del principal
    with store.read() as session:
        return _out(queries.get(session, rule_set_id))


@router.delete("/{rule_set_id}", status_code=204)
def delete_effort_rule_set(rule_set_id: str, principal: SiteTester, store: StoreDependency) -> Response:
    """Delete a site's own rule set that no analysis, no cohort and not the site names."""
    with store.write(principal.name) as transaction:
        before = _out(queries.get(transaction.session, rule_set_id)).model_dump(mode="json")
        queries.delete(transaction.session, rule_set_id)
        transaction.changed("effort_rule_set", rule_set_id, action="deleted", payload={"before": before})
    return Response(status_code=204)


def _out(one: RuleSet) -> RuleSetOut:
    sources = " ".join((one.source, *(rule.source for rule in one.criteria)))
    # A site's own text may look like a key of the bibliography without being one.
    known = [key for key in dict.fromkeys(cited_keys(sources)) if key in REFERENCES]
    return RuleSetOut(
        **one.as_document(), built_in=one.built_in, citations=[REFERENCES[key].text for key in known]
    )
