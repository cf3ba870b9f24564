"""Judging: from matched readings and statements to checks, findings and certificates."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from reconcile.case import Case
from reconcile.cases import build_cases, judged_numbers
from reconcile.certificate import Certified, certificates_table, checks_table, findings_table
from reconcile.pack import DEFAULT_PACK, load_pack
from reconcile.plan import UNKNOWN_WORK
from reconcile.rule import Assessed, Day, Remark
from reconcile.rules import load_rules
from reconcile.spread import Placed, spread
from reconcile.tables import Brief, Judged
from reconcile.verdicts import ASSESS, Verdict, assess
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.certainty import certainty
from schemas.findings import SEVERITY_OF
from schemas.steps import STEPS


def judge(brief: Brief, *, pack: str | None = None) -> Judged:
    """Checks, findings and certificates of every appliance of an attended job, by the named rule pack.

    Shape: one certificate an appliance of an attended job, every check of each, findings of certificates and of the
    day. The order of the rows that come in makes no difference. Raises InputError where no pack has that name.
    """
    chosen = load_pack(pack or DEFAULT_PACK)
    cases = tuple(assess_case(case) for case in build_cases(brief, chosen))
    day_rules = [rule.find_in_day for rule in load_rules().values() if rule.find_in_day is not None]
    day = Day(brief=brief, pack=chosen, cases=cases, numbers=judged_numbers(brief))
    placed = spread((remark for find in day_rules for remark in find(day)), cases)
    placed += [Placed.on(assessed, remark) for assessed in cases for remark in remarks_of(assessed)]
    by_certificate: dict[str | None, list[Remark]] = {}
    for item in placed:
        by_certificate.setdefault(item.certificate_id, []).append(item.remark)
    certified = [
        certify(assessed, by_certificate.get(assessed.case.appliance.certificate_id, ())) for assessed in cases
    ]
    return Judged(
        checks=checks_table(certified),
        findings=findings_table(placed, certified),
        certificates=certificates_table(certified, brief),
        rule_pack=chosen.name,
    )


def assess_case(case: Case) -> Assessed:
    """The case with the verdict of each check."""
    verdicts = {check: assess(case, check) for check in ASSESS}
    certainties = {check: tuple(certainty(case, part) for part in found.parts) for check, found in verdicts.items()}
    kinds: dict[str, tuple[Part, ...]] = {}
    for verdict in verdicts.values():
        for part in verdict.parts:
            kinds[part.kind] = (*kinds.get(part.kind, ()), part)
    return Assessed(case=case, verdicts=verdicts, required=required_checks(case), certainties=certainties, kinds=kinds)


def required_checks(case: Case) -> frozenset[str]:
    """The checks that must be satisfactory: those the plan's required steps feed, and those resting on statements.

    A plan without required steps requires what the work type does: an empty plan is no way to a pass.
    """
    plan = case.pack.plans[case.appliance.work_type or UNKNOWN_WORK]
    steps = [step for step, need in case.needs.items() if need == "required"] or plan["required"]
    return frozenset(plan["attested"]) | {STEPS[step].check for step in steps}


def remarks_of(assessed: Assessed) -> Iterator[Remark]:
    """What the case rules say of one appliance."""
    for rule in load_rules().values():
        if rule.find is not None:
            yield from rule.find(assessed)


def certify(assessed: Assessed, remarks: Sequence[Remark]) -> Certified:
    """The final outcome of each check and of the whole, with the remarks that led to it."""
    outcomes = {check: settle(check, verdict, remarks) for check, verdict in assessed.verdicts.items()}
    required = {outcomes[check] for check in assessed.required}
    if "unsatisfactory" in outcomes.values():
        whole = "unsatisfactory"
    else:
        whole = "satisfactory" if required <= {"satisfactory", "not applicable"} else "incomplete"
    return Certified(assessed=assessed, remarks=tuple(remarks), outcomes=outcomes, outcome=whole)


def settle(check: str, verdict: Verdict, remarks: Sequence[Remark]) -> str:
    """The outcome of one check: a danger or defect fails it, a query that blocks keeps it from passing."""
    about = [remark for remark in remarks if check in remark.checks]
    if any(SEVERITY_OF[remark.code] in ("danger", "defect") for remark in about):
        return "unsatisfactory"
    blocked = any(remark.blocks and SEVERITY_OF[remark.code] == "query" for remark in about)
    return "inconclusive" if blocked and verdict.outcome == "satisfactory" else verdict.outcome
