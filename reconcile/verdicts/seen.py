"""What a person sees and states: visual condition, test leads, the fuse; and exposed metalwork before it is touched."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from reconcile.case import Case
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.loop_limit import BREAKERS

WORD_OUTCOMES: Final = {"good": "satisfactory", "damaged": "unsatisfactory", "worn": "unsatisfactory"}


def assess_visual(case: Case) -> Iterator[Part]:
    """The check ``visual``: the appliance must have been looked at; worn test leads count where they are stated."""
    condition = case.says("visual_condition")
    if condition is None:
        yield Part(check="visual", kind="visual", outcome="not tested", why="missing")
    else:
        yield judge_word("visual", condition)
    leads = case.says("test_leads_condition")
    if leads is not None:
        yield judge_word("leads", leads)


def judge_word(kind: str, word: str) -> Part:
    """One stated condition; a word that is not in the list shows nothing."""
    return Part(
        check="visual", kind=kind, outcome=WORD_OUTCOMES.get(word, "inconclusive"), why=word if word != "good" else "",
        indication=word,
    )  # fmt: skip


def assess_metalwork(case: Case, *, check: str = "exposed_metalwork", step: str = "metalwork") -> Part:
    """No voltage indicated on exposed metalwork, with a detector whose own proof did not fail."""
    reading, proof = case.of(step), case.of("metalwork_proof_before")
    part: dict[str, Any] = {"check": check, "kind": "metalwork", "steps": (step,), "reading": reading}
    part["reading_ids"] = case.ids(step, "metalwork_proof_before")
    if reading is None:
        return Part(**part, outcome="not tested", why="missing")
    if reading.indication == "present":
        return Part(**part, outcome="unsatisfactory", why="live")
    if reading.indication != "absent":
        return Part(**part, outcome="inconclusive", why="no number")
    if proof is not None and proof.indication != "present":
        return Part(**part, outcome="inconclusive", why="not proved")
    note = "" if proof is not None else "no proof of the detector itself is recorded"
    return Part(**part, outcome="satisfactory", note=note)


def assess_exposed_metalwork(case: Case) -> Iterator[Part]:
    """The check ``exposed_metalwork``."""
    yield assess_metalwork(case)


def assess_fuse_rating(case: Case) -> Iterator[Part]:
    """The check ``fuse_rating``: what a person saw fitted is what the appliance asks for.

    Where no fuse was stated and the point of connection is a circuit breaker, there is none to look at. The job list
    never stands for what is fitted: nobody has looked at it.
    """
    fitted, required = case.says_number("fuse_rating_a"), case.says_number("required_fuse_rating_a")
    part: dict[str, Any] = {"check": "fuse_rating", "kind": "fuse", "value": fitted, "unit": None if fitted is None else "A"}
    if fitted is None:
        has_fuse = case.appliance.device not in BREAKERS
        yield Part(**part, outcome="not tested" if has_fuse else "not applicable", why="missing" if has_fuse else "")
        return
    if required is None:
        yield Part(**part, outcome="inconclusive", why="required unknown")
    elif fitted != required:
        yield Part(**part, outcome="unsatisfactory", why="too large" if fitted > required else "too small")
    elif case.appliance.device == "BS1362" and case.appliance.device_rating_a not in (None, fitted):
        yield Part(**part, outcome="inconclusive", why="job list disagrees")
    else:
        yield Part(**part, outcome="satisfactory")
