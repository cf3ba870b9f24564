"""The tables that the tests of judging are made of keep the schemas that real ones keep."""

from __future__ import annotations

from schemas.check import check_table
from schemas.jobs import Appliances, Attestations, Jobs
from schemas.matches import Clocks, Decisions, Matches, Questions
from schemas.meters import Accuracies, Meters
from schemas.readings import Conflicts, Duplicates, Readings, Refusals
from schemas.steps import PlannedSteps
from tests.reconcile_rules.making import make_brief

MODELS = (
    Readings, Refusals, Duplicates, Conflicts, Jobs, Appliances, Attestations, Meters, Accuracies, Matches, Clocks,
    Questions, Decisions,
)  # fmt: skip


def test_a_made_brief_keeps_every_schema() -> None:
    brief = make_brief()
    for model in MODELS:
        table = getattr(brief, model.__name__.lower())
        assert len(check_table(model, table)) == len(table)
    assert len(check_table(PlannedSteps, brief.plan)) == len(brief.plan)
    assert len(brief.readings) == 13
