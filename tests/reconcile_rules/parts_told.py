"""Every judged part of a few whole visits, to the last word and digit, so that a change of what is printed is seen.

``python tests/reconcile_rules/parts_told.py`` writes ``tests/cases/parts_told.txt``; ``test_told.py`` compares.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from reconcile.rule import Assessed  # noqa: E402
from reconcile.verdicts.assessment import Part  # noqa: E402
from reconcile.verdicts.certainty import Certainty  # noqa: E402
from tests.reconcile_rules.cases_by_hand import judge_case, make_case  # noqa: E402
from tests.reconcile_rules.making import PLAIN_STATED, PLAIN_STEPS  # noqa: E402

PARTS_TOLD = ROOT / "tests" / "cases" / "parts_told.txt"
EVERYTHING: dict[str, Any] = {
    "metalwork_proof_before": "present", **PLAIN_STEPS, "supply_polarity": "correct", "line_neutral_loop": 0.31,
    "rcd_trip": {"value": 0.021, "rcd_multiple": 1.0}, "earth_continuity": 0.12,
    "insulation": {"value": 5.5e7, "test_voltage_v": 500.0}, "restored_polarity": "correct",
    "restored_metalwork": "absent", "restored_loop": 0.36, "load_current": 0.8,
}  # fmt: skip


def triple(phase: str, *volts: float) -> dict[str, Any]:
    """The three pairs of a phase with these voltages."""
    return {f"{phase}_{pair}": volt for pair, volt in zip(("ln", "le", "ne"), volts, strict=True)}


VISITS: dict[str, dict[str, Any]] = {
    "a plain service": {"steps": PLAIN_STEPS},
    "everything was measured": {"steps": EVERYTHING, "appliance": {"rcd_rated_ma": 30.0}},
    "nothing was measured or stated": {"steps": {}, "stated": {}},
    "nothing was planned": {"steps": {}, "stated": {}, "needs": {}},
    "nothing was planned, and something tested dead": {"steps": {"dead_ln": 0.0}, "stated": {}, "needs": {}},
    "nothing was measured, an RCD on TT": {
        "steps": {}, "stated": {}, "appliance": {"earthing": "TT", "rcd_rated_ma": 30.0, "construction_class": "II"},
    },
    "class II behind a breaker": {
        "steps": EVERYTHING, "stated": {"visual_condition": "damaged", "isolation_point_secured": "fuse retained"},
        "appliance": {"construction_class": "II", "device": "B", "device_rating_a": 6.0},
    },
    "everything is wrong": {
        "steps": EVERYTHING | triple("supply", 0.0, 231.0, 230.0) | triple("dead", 0.0, 230.0, 229.0)
        | triple("restored", 231.0, 0.2, 230.6)
        | {"metalwork": "present", "earth_loop": {"reason": "over range"}, "proof_after": "absent",
           "earth_continuity": 3.0, "insulation": 2e4, "rcd_trip": {"value": 0.4, "rcd_multiple": 1.0},
           "restored_loop": 55.0, "restored_metalwork": "present", "load_current": 9.0},
        "stated": {"visual_condition": "damaged", "test_leads_condition": "worn", "fuse_rating_a": "13",
                   "required_fuse_rating_a": "3", "isolation_point_secured": "none"},
    },
    "everything is in doubt": {
        "steps": EVERYTHING | triple("supply", 231.0, 225.0, 0.5) | triple("dead", 0.0, 12.0, 11.0)
        | triple("restored", 231.0, 230.0, 20.0)
        | {"metalwork_proof_before": "absent", "earth_loop": 2.9, "proof_before": "absent",
           "earth_continuity": 0.4, "insulation": {"value": 5e6, "test_voltage_v": 50.0, "conductors": "L-E"},
           "rcd_trip": {"value": 0.1}, "restored_loop": {"value": 0.02}, "line_neutral_loop": {"reason": "unstable"}},
        "stated": PLAIN_STATED | {"visual_condition": "odd", "test_leads_condition": "odd",
                                  "isolation_point_secured": "odd", "caution_notice": "no"},
        "appliance": {"construction_class": None, "device_rating_a": 5.0},
    },
    "a TT supply": {
        "steps": EVERYTHING | {"earth_loop": 120.0, "restored_loop": {"value": 180.0, "comparator": "lt"}},
        "appliance": {"earthing": "TT", "rcd_rated_ma": 100.0},
    },
    "only bounds": {
        "steps": EVERYTHING | triple("dead", 0.0, 0.0, 0.0)
        | {"supply_ln": {"value": 200.0, "comparator": "gt"}, "earth_loop": {"value": 20.0, "comparator": "gt"},
           "insulation": {"value": 2e8, "comparator": "gt", "conductors": "L-E"}, "dead_ne": {"value": 1.0,
           "comparator": "lt"}, "rcd_trip": {"value": 2.0, "comparator": "gt", "rcd_multiple": 5.0}},
        "stated": {"caution_notice": "yes"} | {k: v for k, v in PLAIN_STATED.items() if "fuse" not in k},
    },
}  # fmt: skip


def told_parts(name: str) -> list[str]:
    """The name of a visit and one line for each judged part of it."""
    assessed = judge_case(make_case(**VISITS[name])).assessed
    return [f"{name}; required: {' '.join(sorted(assessed.required))}", *lines_of(assessed)]


def lines_of(assessed: Assessed) -> Iterator[str]:
    """A line for each part: what the certificate and the rules take from it, without what is empty."""
    for check, part, certainty in assessed.weighed():
        yield f"  {check}: {'; '.join(f'{name} {value}' for name, value in said(part, certainty).items() if value)}"


def said(part: Part, certainty: Certainty | None) -> dict[str, Any]:
    """What a part says, by name; numbers to twelve digits."""
    numbers = {
        "value": part.value, "low": part.limit_low, "high": part.limit_high, "factor": part.factor,
        "U": certainty and certainty.expanded, "k": certainty and certainty.k,
        "P": certainty and certainty.probability,
    }  # fmt: skip
    return {
        "is": f"{part.outcome} {part.check} {part.kind}", "why": part.why,
        "reading": part.reading and part.reading.reading_id, "of": " ".join(part.reading_ids),
        "steps": " ".join(part.steps), "indication": part.indication,
        **{name: None if number is None else f"{number:.12g}" for name, number in numbers.items()},
        "unit": part.shown_unit, "source": part.limit_source, "causes": " | ".join(part.causes),
        "also": " | ".join(part.also), "against": part.against, "note": part.note,
        "limits": " ".join(f"{limit.id} {limit.unit} {limit.condition} {limit.on}" for limit in (part.low, part.high)
                           if limit is not None),
    }  # fmt: skip


def made_parts_told() -> str:
    """The whole text: each visit with its parts."""
    return "\n\n".join("\n".join(told_parts(name)) for name in VISITS) + "\n"


if __name__ == "__main__":
    PARTS_TOLD.write_text(made_parts_told(), encoding="utf-8")
