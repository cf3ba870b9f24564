"""Every word that people read about the named cases is the one that was reviewed."""

from __future__ import annotations

from typing import Any

import pytest

from tests.reconcile_rules.parts_told import PARTS_TOLD, VISITS, told_parts
from tests.reconcile_rules.told import TOLD, TOLD_CASES, told_lines

REVIEWED = TOLD.read_text(encoding="utf-8").split("\n\n")
AGAIN = "read what changed, then run tests/reconcile_rules/told.py"


@pytest.mark.parametrize(
    ("place", "rule", "case"),
    [pytest.param(place, *named, id=f"{named[0]}: {named[1]['name']}") for place, named in enumerate(TOLD_CASES)],
)
def test_every_finding_is_worded_as_reviewed(place: int, rule: str, case: dict[str, Any]) -> None:
    assert told_lines(rule, case) == REVIEWED[place].rstrip("\n").split("\n"), AGAIN


def test_nothing_else_was_reviewed() -> None:
    assert len(REVIEWED) == len(TOLD_CASES), AGAIN


@pytest.mark.parametrize("name", VISITS)
def test_every_part_of_a_whole_visit_is_as_reviewed(name: str) -> None:
    reviewed = [visit.split("\n") for visit in PARTS_TOLD.read_text(encoding="utf-8").rstrip("\n").split("\n\n")]
    assert [name for name in VISITS if reviewed[list(VISITS).index(name)][0].startswith(f"{name};")] == list(VISITS)
    assert told_parts(name) == reviewed[list(VISITS).index(name)], "read what changed, then run parts_told.py"
