"""A required check has no evidence, or none that can be used."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.verdicts.assessment import Part
from reconcile.wording import show, title
from schemas.checks import CHECKS

STATED = {
    ("visual", "missing"): "the visual condition was not stated",
    ("visual", "not understood"): "the visual condition was stated with a word that is not in the list",
    ("leads", "not understood"): "the condition of the test leads was stated with a word that is not in the list",
    ("triple", "no supply"): "there was no supply whose polarity could be judged",
    ("fuse", "missing"): "no fuse was stated as seen",
    ("fuse", "required unknown"): "a fuse was seen, but not stated what the maker's instructions ask for",
    ("secured", "missing"): "it was not stated how the point of isolation was secured",
    (
        "secured",
        "not understood",
    ): "how the point of isolation was secured was stated with a word that is not in the list",
    ("notice", "missing"): "it was not stated that a caution notice was left",
    ("notice", "no notice"): "it was stated that no caution notice was left",
}
WITHOUT_NUMBER = ("no number", "multiple unknown", "test voltage")


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each required check that lacks something, and for each reading that cannot be used."""
    for check, verdict in assessed.verdicts.items():
        for part in verdict.parts:
            what = describe(assessed, part, required=check in assessed.required)
            if what:
                yield Remark(
                    code="step_missing",
                    message=f"{CHECKS[check][0].upper()}{CHECKS[check][1:]}: {what}.",
                    action="Do the step and record it, or state what was seen; until then nothing is shown.",
                    checks=(check,),
                    reading_ids=part.reading_ids,
                )


def describe(assessed: Assessed, part: Part, *, required: bool) -> str:
    """What is lacking in one part; empty where nothing is, or where another rule says it."""
    if part.why in WITHOUT_NUMBER:
        return unusable(part)
    words = STATED.get((part.kind, part.why), "")
    if words:
        return words if required or part.outcome == "inconclusive" else ""
    if part.why != "missing" or not required or is_said_elsewhere(assessed, part):
        return ""
    return f"no reading of {', '.join(title(step) for step in part.steps)}"


def unusable(part: Part) -> str:
    """Why a reading that is there shows nothing."""
    if part.why == "multiple unknown":
        return f"{show(part.reading)} at an unknown test current"
    if part.why == "test voltage" and part.reading is not None:
        return f"{show(part.reading)} was measured with only {part.reading.test_voltage_v:g} V"
    return f"the meter gave {show(part.reading)}, which does not show whether the limit is kept"


def is_said_elsewhere(assessed: Assessed, part: Part) -> bool:
    """True where another rule says more exactly what is missing: one of three pairs, or the proof of an indicator."""
    if part.kind == "voltage":
        return any(part.steps[0] in triple.steps for triple in assessed.parts_with("triple", "pair missing"))
    tested = any(dead.outcome != "not tested" for dead in assessed.parts("dead"))
    return part.kind in ("proof", "dead proof") and tested


RULE = Rule(
    codes=("step_missing",),
    about="a required step or statement is missing, or its reading shows nothing",
    source="the plan of the rule pack (common practice)",
    effect="inconclusive",
    find=find,
)
