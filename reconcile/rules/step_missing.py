"""A required check has no evidence, or none that can be used."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.signatures import DANGER_ORDER
from reconcile.wording import capital, show, title
from schemas.checks import CHECKS

STATED = {
    ("visual", "missing"): "the visual condition was not stated",
    ("visual", "not understood"): "the visual condition was stated with a word that is not in the list",
    ("leads", "not understood"): "the condition of the test leads was stated with a word that is not in the list",
    ("triple", "no supply"): "there was no supply whose polarity could be judged",
    ("rcd", "rated not tested"): "no trip at the rated current or more was tested, only half of it",
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
DANGER_WORDS = (*DANGER_ORDER, "live", "no earth")
WITHOUT_NUMBER = ("no number", "multiple unknown", "test voltage", "class unknown")


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each required check that lacks something; one for all that a danger kept from being done."""
    lacking = {check: words for check in assessed.verdicts if (words := list_lacking(assessed, check))}
    after = after_danger(assessed)
    stopped = [check for check in lacking if check in after and nothing_done(assessed, check)]
    if stopped:
        names = ", ".join(CHECKS[check] for check in stopped)
        yield Remark(
            code="step_missing",
            message=f"Work stopped at a danger, as it should. Not done after it: {names}.",
            action="Come back when the danger has been put right and do the whole procedure again.",
            checks=tuple(stopped),
        )
    for check, words in lacking.items():
        if check not in stopped:
            yield Remark(
                code="step_missing",
                message=f"{capital(CHECKS[check])}: {'; '.join(dict.fromkeys(words))}.",
                action="Do the step and record it, or state what was seen; until then nothing is shown.",
                checks=(check,),
                reading_ids=tuple(one for part in assessed.verdicts[check].parts for one in part.reading_ids),
            )


def list_lacking(assessed: Assessed, check: str) -> list[str]:
    """What is lacking in the parts of one check, in words."""
    required = check in assessed.required
    parts = assessed.verdicts[check].parts
    words = [text for part in parts if (text := describe(assessed, part, required=required))]
    steps = [step for part in parts if is_missing(assessed, part, required=required) for step in part.steps]
    wanted = [title(step) for step in dict.fromkeys(steps) if assessed.case.needs.get(step) != "optional"]
    return words + ([f"no reading of {', '.join(wanted)}"] if wanted else [])


def after_danger(assessed: Assessed) -> set[str]:
    """The checks that come after the first one with a danger: they should not have been gone on with."""
    order = list(assessed.verdicts)
    dangers = [
        place
        for place, check in enumerate(order)
        for part in assessed.verdicts[check].parts
        if part.why in DANGER_WORDS and check != "supply_restored"
    ]
    return set(order[min(dangers) + 1 :]) if dangers else set()


def nothing_done(assessed: Assessed, check: str) -> bool:
    """True where no part of the check was done."""
    return all(part.why == "missing" for part in assessed.verdicts[check].parts)


def is_missing(assessed: Assessed, part: Part, *, required: bool) -> bool:
    """True where a part that must be there has no reading, and no other rule says it more exactly."""
    if not required or part.why != "missing" or not part.steps:
        return False
    if part.kind == "voltage":
        return not any(part.steps[0] in triple.steps for triple in assessed.parts_with("triple", "pair missing"))
    tested = any(dead.outcome != "not tested" for dead in assessed.parts("dead"))
    return not (part.kind in ("proof", "dead proof") and tested)


def describe(assessed: Assessed, part: Part, *, required: bool) -> str:
    """What is lacking in a statement, or why a reading shows nothing; empty where neither is so."""
    if part.why in WITHOUT_NUMBER:
        return unusable(part)
    words = STATED.get((part.kind, part.why), "")
    return words if required or part.outcome == "inconclusive" else ""


def unusable(part: Part) -> str:
    """Why a reading that is there shows nothing."""
    if part.why == "multiple unknown":
        return f"{show(part.reading)} at an unknown test current"
    if part.why == "class unknown":
        return f"{show(part.reading)} is enough for class I only, and the class of the appliance is not recorded"
    if part.why == "test voltage" and part.reading is not None:
        return f"{show(part.reading)} was measured with only {part.reading.test_voltage_v:g} V"
    return f"the meter gave {show(part.reading)}, which does not show whether the limit is kept"


RULE = Rule(
    codes=("step_missing",),
    about="a required step or statement is missing, or its reading shows nothing",
    source="the plan of the rule pack (common practice)",
    effect="inconclusive",
    find=find,
)
