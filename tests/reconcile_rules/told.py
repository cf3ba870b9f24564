"""Every outcome and finding of every named case, word for word, so that a change of what people read is seen and read.

``python tests/reconcile_rules/told.py`` writes ``tests/cases/told.txt``; ``test_told.py`` compares.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.reconcile_rules.named_cases import CASES, needs_tables  # noqa: E402

TOLD = ROOT / "tests" / "cases" / "told.txt"


def told_outcomes(name: str, whole: str, outcomes: Mapping[str, str]) -> str:
    """The outcome of a certificate, and the checks by their outcome, the satisfactory ones left out."""
    checks = {outcome: [check for check in outcomes if outcomes[check] == outcome] for outcome in outcomes.values()}
    told = [f"{outcome}: {' '.join(found)}" for outcome, found in sorted(checks.items()) if outcome != "satisfactory"]
    return f"= {name}{'; '.join([whole, *told])}"


def told_by_hand(case: dict[str, Any]) -> Iterator[str]:
    """The outcomes and remarks of one case, with the checks that they are about."""
    from tests.reconcile_rules.cases_by_hand import judge_case
    from tests.reconcile_rules.named_cases import case_by_hand

    judged = judge_case(case_by_hand(case))
    yield told_outcomes("", judged.outcome, judged.outcomes)
    for remark in judged.remarks:
        about = f"{','.join(remark.checks) or 'no check'}; {','.join(remark.reading_ids) or 'no reading'}"
        blocks = "blocks" if remark.blocks else "does not block"
        yield f"{remark.code} [{about}; {blocks}] {remark.message} | {remark.action} | {remark.source}"


def told_by_tables(case: dict[str, Any]) -> Iterator[str]:
    """The outcomes and findings of a whole day, with the certificate that each stands on."""
    from reconcile.judging import judge
    from tests.reconcile_rules.test_rule_cases import brief_of

    judged = judge(brief_of(case))
    for row in judged.certificates.itertuples():
        checks = judged.checks[judged.checks["certificate_id"] == row.certificate_id]
        outcomes = dict(zip(checks["check"], checks["outcome"], strict=True))
        yield told_outcomes(f"{row.certificate_id} ", row.outcome, outcomes)
    table = judged.findings.astype(object)
    for row in table.where(table.notna(), "none").itertuples():
        about = f"{row.certificate_id}; {row.job_id}; {row.appliance_id}; {row.reading_ids}"
        yield f"{row.code} [{about}] {row.message} | {row.action} | {row.source}"


def told_lines(rule: str, case: dict[str, Any]) -> list[str]:
    """The name of a case, its outcomes and its findings, sorted."""
    told = told_by_tables if needs_tables(rule, case) else told_by_hand
    return [f"{rule}: {case['name']}", *(f"  {line}" for line in sorted(told(case)))]


TOLD_CASES = [(rule, case) for rule, case in CASES if case["kind"] != "empty"]


def made_told() -> str:
    """The whole text: each case with its findings."""
    return "\n\n".join("\n".join(told_lines(rule, case)) for rule, case in TOLD_CASES) + "\n"


if __name__ == "__main__":
    TOLD.write_text(made_told(), encoding="utf-8")
