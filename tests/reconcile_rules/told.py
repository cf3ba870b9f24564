"""Every finding of every named case, word for word, so that a change of what people read is seen and read.

``python tests/reconcile_rules/told.py`` writes ``tests/cases/told.txt``; ``test_told.py`` compares.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

TOLD = ROOT / "tests" / "cases" / "told.txt"


def told_by_hand(case: dict[str, Any]) -> Iterator[str]:
    """The remarks on one case, with the checks that they are about."""
    from tests.reconcile_rules.cases_by_hand import judge_case
    from tests.reconcile_rules.named_cases import case_by_hand

    for remark in judge_case(case_by_hand(case)).remarks:
        about = f"{','.join(remark.checks) or 'no check'}; {','.join(remark.reading_ids) or 'no reading'}"
        blocks = "blocks" if remark.blocks else "does not block"
        yield f"{remark.code} [{about}; {blocks}] {remark.message} | {remark.action} | {remark.source}"


def told_by_tables(case: dict[str, Any]) -> Iterator[str]:
    """The findings of a whole day, with the certificate that each stands on."""
    from reconcile.judging import judge
    from tests.reconcile_rules.test_rule_cases import brief_of

    table = judge(brief_of(case)).findings.astype(object)
    for row in table.where(table.notna(), "none").itertuples():
        about = f"{row.certificate_id}; {row.job_id}; {row.appliance_id}; {row.reading_ids}"
        yield f"{row.code} [{about}] {row.message} | {row.action} | {row.source}"


def made_told() -> str:
    """The whole text: each case with its findings, sorted."""
    from tests.reconcile_rules.named_cases import CASES, needs_tables

    lines = []
    for rule, case in CASES:
        if case["kind"] != "empty":
            told = told_by_tables if needs_tables(rule, case) else told_by_hand
            lines += ["", f"{rule}: {case['name']}", *(f"  {line}" for line in sorted(told(case)))]
    return "\n".join(lines[1:]) + "\n"


if __name__ == "__main__":
    TOLD.write_text(made_told(), encoding="utf-8")
