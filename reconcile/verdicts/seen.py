"""What a person sees and states: visual condition, test leads, the fuse; and exposed metalwork before it is touched."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from typing import Final

from reconcile.case import Case
from reconcile.pack import Limit
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.loop_limit import BREAKERS

WORD_OUTCOMES: Final = {
    ("visual", "good"): "satisfactory",
    ("visual", "damaged"): "unsatisfactory",
    ("leads", "good"): "satisfactory",
    ("leads", "worn"): "unsatisfactory",
}


def assess_visual(case: Case) -> Iterator[Part]:
    """The check ``visual``: the appliance must have been looked at; worn test leads count where they are stated."""
    condition = case.says("visual_condition")
    if condition is None:
        yield Part(check="visual", kind="visual", outcome="not tested", why="missing", accepts="no damage seen")
    else:
        yield judge_word("visual", condition)
    leads = case.says("test_leads_condition")
    if leads is not None and leads != "good":
        yield judge_word("leads", leads)


def judge_word(kind: str, word: str) -> Part:
    """One stated condition; a word that is not in the list shows nothing."""
    outcome = WORD_OUTCOMES.get((kind, word))
    why = "not understood" if outcome is None else "" if outcome == "satisfactory" else word
    return Part(
        check="visual", kind=kind, outcome=outcome or "inconclusive", why=why, indication=word, accepts="no damage seen"
    )


def assess_metalwork(case: Case, *, check: str = "exposed_metalwork", step: str = "metalwork") -> Part:
    """No voltage indicated on exposed metalwork, with a detector whose own proof did not fail."""
    reading, proof = case.of(step), case.of("metalwork_proof_before")
    base = Part(
        check=check,
        kind="metalwork",
        steps=(step,),
        reading=reading,
        accepts="no voltage indicated",
    )
    base = replace(base, reading_ids=case.ids(step, "metalwork_proof_before"))
    if reading is None:
        return replace(base, why="missing")
    if reading.indication == "present":
        return replace(base, outcome="unsatisfactory", why="live")
    if reading.indication != "absent":
        return replace(base, outcome="inconclusive", why="no number")
    if proof is not None and proof.indication != "present":
        return replace(base, outcome="inconclusive", why="not proved")
    note = "" if proof is not None else "no proof of the detector itself is recorded"
    return replace(base, outcome="satisfactory", note=note)


def assess_exposed_metalwork(case: Case) -> Iterator[Part]:
    """The check ``exposed_metalwork``."""
    yield assess_metalwork(case)


def stated_limit(case: Case, required_a: float | None) -> Limit | None:
    """The fuse rating that the appliance asks for, as a person stated it."""
    if required_a is None:
        return None
    stated = case.attested["required_fuse_rating_a"][-1]
    return Limit(
        id="required_fuse_rating",
        value=required_a,
        unit="A",
        condition="what the maker's instructions ask for",
        source=f"maker's instructions, as stated by {stated.by or 'a person not named'}",
        confirmed="practice",
        on=date(2026, 11, 25),
    )


def assess_fuse_rating(case: Case) -> Iterator[Part]:
    """The check ``fuse_rating``: what a person saw fitted is what the appliance asks for.

    Where no fuse was stated and the point of connection is a circuit breaker, there is none to look at. The job list
    never stands for what is fitted: nobody has looked at it.
    """
    fitted, required = case.says_number("fuse_rating_a"), case.says_number("required_fuse_rating_a")
    base = Part(
        check="fuse_rating",
        kind="fuse",
        value=fitted,
        unit="A",
        low=stated_limit(case, required),
        high=stated_limit(case, required),
    )
    if fitted is None:
        has_fuse = case.appliance.device not in BREAKERS
        yield replace(base, outcome="not tested" if has_fuse else "not applicable", why="missing" if has_fuse else "")
        return
    if required is None:
        yield replace(base, outcome="inconclusive", why="required unknown")
    elif fitted > required:
        yield replace(base, outcome="unsatisfactory", why="too large")
    elif fitted < required:
        yield replace(base, outcome="unsatisfactory", why="too small")
    elif case.appliance.device == "BS1362" and case.appliance.device_rating_a not in (None, fitted):
        yield replace(base, outcome="inconclusive", why="job list disagrees")
    else:
        yield replace(base, outcome="satisfactory")
