"""Every word that people read about the named cases is the one that was reviewed."""

from __future__ import annotations

from difflib import unified_diff

from tests.reconcile_rules.told import TOLD, made_told


def test_every_finding_is_worded_as_reviewed() -> None:
    known, found = TOLD.read_text(encoding="utf-8").splitlines(), made_told().splitlines()
    changed = list(unified_diff(known, found, "reviewed", "now", lineterm="", n=1))
    assert not changed, "\n".join(["read, then run tests/reconcile_rules/told.py:", *changed[:40]])
