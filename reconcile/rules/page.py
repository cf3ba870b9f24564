"""The rules, limits and choices of a pack as a page for people (Markdown). Documents are made from it, not by hand."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Final

from reconcile.pack import CONFIRMATIONS, DEFAULT_PACK, Limit, Pack, list_packs, load_pack
from reconcile.rules import load_rules
from reconcile.wording import show_value
from schemas.checks import CHECKS
from schemas.findings import SEVERITY_OF
from schemas.jobs import WORK_TYPES
from schemas.steps import STEPS

WORDS: Final = {
    "visual": "no damage seen; test leads not worn (a person states it)",
    "exposed_metalwork": "a non-contact detector indicates nothing",
    "supply_polarity": "L-N and L-E show the supply, N-E next to nothing, and the three add up",
    "earth_fault_loop": "TN: limit of the protective device for cold conductors; TT: 50 V / rated current of the RCD",
    "fuse_rating": "the rating that the maker's instructions ask for (a person states both)",
    "indicator_proved_before": "the indicator responds to a known source, before the dead tests, same instrument",
    "proved_dead": "no indication on L-N, L-E and N-E between two proofs",
    "indicator_proved_after": "the indicator responds to a known source, after the dead tests, same instrument",
    "isolation_secured": "locked, or fuse or plug kept by the person who works; caution notice left (stated)",
    "supply_restored": "as supply voltage and supply polarity; metalwork and loop where measured again",
}
LIMITS_OF: Final[dict[str, tuple[str, ...]]] = {
    "supply_voltage": ("supply_voltage_low", "supply_voltage_high"),
    "supply_polarity": ("supply_present", "neutral_earth_high", "triangle_tolerance"),
    "earth_fault_loop": (
        "nominal_line_to_earth",
        "voltage_factor",
        "cold_factor",
        "final_circuit_up_to",
        "fuse/BS1362/3/0.4",
        "fuse/BS1362/13/0.4",
        "breaker/B",
        "breaker/C",
        "breaker/D",
        "touch_voltage",
        "electrode_unstable",
        "no_earth_above",
        "lowest_plausible_loop",
        "smallest_device",
        "unlikely_above/TN-C-S",
        "unlikely_above/TN-S",
        "unlikely_below/TT",
    ),
    "rcd": ("rcd/1", "rcd/2", "rcd/5", "rcd_no_trip_multiple", "rcd_shortest"),
    "indicator_proved_before": ("proof_window",),
    "proved_dead": ("no_indication", "extra_low_voltage"),
    "indicator_proved_after": ("proof_window",),
    "earth_continuity": ("continuity_part", "cord_resistance", "continuity_fail", "shortest_cord"),
    "insulation": ("insulation_wiring", "insulation_class_two", "insulation_test_voltage"),
    "supply_restored": ("supply_voltage_low", "supply_voltage_high", "neutral_earth_high"),
}
EFFECTS: Final = {
    "unsatisfactory": "check unsatisfactory",
    "inconclusive": "check cannot pass",
    "none": "none",
}


def render_table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """The lines of a Markdown table."""
    lines = [f"| {' | '.join(heads)} |", f"|{'---|' * len(heads)}"]
    return lines + [f"| {' | '.join(cell.replace('|', '/') for cell in row)} |" for row in rows]


def show_number(limit: Limit) -> str:
    """The value of a limit with its unit; a share has none."""
    return f"{limit.value:g}" if limit.unit == "1" else show_value(limit.value, limit.unit, digits=6)


def limit_row(limit: Limit) -> tuple[str, ...]:
    """One limit: name, value, when it holds, source, how confirmed, date."""
    return (
        f"`{limit.id}`", show_number(limit), limit.condition, limit.source, CONFIRMATIONS[limit.confirmed],
        limit.on.isoformat(),
    )  # fmt: skip


def render_checks(pack: Pack) -> str:
    """A table of every check, one row a limit: what passes, the limit, where it stands, its edition, how confirmed."""
    rows = []
    for check, title in CHECKS.items():
        limits = [pack.limit(name) for name in LIMITS_OF.get(check, ())]
        if check in WORDS:
            rows.append((title, WORDS[check], "in words", "common practice", "none", "common practice"))
        rows += [
            (
                title,
                limit.condition,
                show_number(limit),
                limit.source,
                edition_of(limit),
                CONFIRMATIONS[limit.confirmed],
            )
            for limit in limits
        ]
    return "\n".join(render_table(("check", "what passes, or is held against", "limit", "source", "edition",
                                   "how confirmed"), rows)) + "\n"  # fmt: skip


EDITION: Final = re.compile(r"BS 7671:\d{4}(?:\+A\d:\d{4})?|\d+(?:st|nd|rd|th) edition(?: \d{4})?|SI \d{4}/\d+")


def edition_of(limit: Limit) -> str:
    """The edition that the source names; a standard without one was not read, a choice or habit has none."""
    found = EDITION.search(limit.source)
    if found is not None:
        return found[0]
    return "none" if limit.confirmed in ("policy", "practice", "computed") else "not named where it was quoted"


def render_rules() -> str:
    """A table of every rule: file, codes with severity, what it is about, what it does to its check, source."""
    rows = [
        (
            f"`{name}`", ", ".join(f"{code} ({SEVERITY_OF[code]})" for code in rule.codes), rule.about,
            EFFECTS[rule.effect], rule.source,
        )
        for name, rule in load_rules().items()
    ]  # fmt: skip
    return "\n".join(render_table(("rule", "finding", "speaks when", "effect", "source"), rows)) + "\n"


def render_plan(pack: Pack) -> str:
    """A table of the steps that each kind of work asks for."""
    rows = [
        (step.title, *(need_of(pack, work, step.name) for work in WORK_TYPES), pack.plans["sources"][step.name])
        for step in STEPS.values()
    ]
    return "\n".join(render_table(("step", *WORK_TYPES, "source"), rows)) + "\n"


def need_of(pack: Pack, work: str, step: str) -> str:
    """How much one kind of work asks for one step."""
    plan = pack.plans[work]
    if step in plan["required"]:
        return "required"
    if step in plan["if_class_one"]:
        return "required but for class II"
    if step in plan["if_rcd"]:
        return "required with an RCD"
    if step in plan["if_tt"]:
        return "required on TT"
    return "optional" if step in plan["optional"] else ""


def render_page(name: str = DEFAULT_PACK) -> str:
    """The whole page of one pack: its checks, plan, rules, choices and every limit."""
    pack = load_pack(name)
    settings = [(f"`{key}`", setting.value, setting.why) for key, setting in pack.settings.items()]
    limits = [limit_row(limit) for limit in pack.limits.values()]
    parts = [
        f"# Rule pack {pack.name}\n\n{pack.title}. Edition of the wiring rules: {pack.edition}. All packs: "
        f"{', '.join(list_packs())}.\n",
        f"## Checks\n\n{render_checks(pack)}",
        f"## Steps by kind of work\n\n{pack.plans['source'].capitalize()}.\n\n{render_plan(pack)}",
        f"## Rules\n\n{render_rules()}",
        "## Choices\n\n" + "\n".join(render_table(("setting", "value", "why"), settings)) + "\n",
        "## Limits\n\n"
        + "\n".join(render_table(("limit", "value", "holds for", "source", "confirmed", "on"), limits))
        + "\n",
    ]
    return "\n".join(parts)
