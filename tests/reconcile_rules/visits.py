"""Whole visits for properties: any appliance, any readings in any number and order of time, any statements."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from reconcile.case import Case
from reconcile.pack import load_pack
from reconcile.plan import plan_needs
from schemas.steps import STEP_ORDER
from tests.reconcile_rules.cases_by_hand import make_case
from tests.reconcile_rules.making import PLAIN_APPLIANCE, PLAIN_STATED, PLAIN_STEPS

Content = dict[str, Any]
Visit = dict[str, Any]
"""``appliance``, ``work_type``, ``stated`` (item to word), ``readings`` (list of step and content)."""

NUMBERS: dict[str, tuple[st.SearchStrategy[float], st.SearchStrategy[float]]] = {
    step: (good, st.floats(low, high))
    for step, good, low, high in (
        ("supply_ln", st.floats(228.0, 233.0), 0.0, 280.0),
        ("supply_le", st.floats(229.0, 233.0), 0.0, 280.0),
        ("supply_ne", st.floats(0.0, 3.0), 0.0, 260.0),
        ("earth_loop", st.floats(0.1, 1.0), 0.05, 3000.0),
        ("line_neutral_loop", st.floats(0.1, 1.0), 0.05, 10.0),
        ("rcd_trip", st.floats(0.01, 0.04), 0.002, 0.6),
        ("dead_ln", st.floats(0.0, 5.0), 0.0, 260.0),
        ("dead_le", st.floats(0.0, 5.0), 0.0, 260.0),
        ("dead_ne", st.floats(0.0, 5.0), 0.0, 260.0),
        ("earth_continuity", st.floats(0.01, 0.15), 0.0067, 5.0),
        ("insulation", st.floats(2.1e6, 2e8), 1e4, 1e9),
        ("restored_ln", st.floats(228.0, 233.0), 0.0, 280.0),
        ("restored_le", st.floats(229.0, 233.0), 0.0, 280.0),
        ("restored_ne", st.floats(0.0, 3.0), 0.0, 260.0),
        ("restored_loop", st.floats(0.1, 1.0), 0.05, 3000.0),
        ("load_current", st.floats(0.1, 2.9), 0.1, 20.0),
    )
}
"""Step to values that mostly pass, and to any values. Loops start where a circuit can be, trip times where contacts
can."""
WORDS = {
    "metalwork_proof_before": ("present", "absent"),
    "metalwork": ("absent", "present"),
    "supply_polarity": ("correct", "reversed", "no earth", "no neutral", "fault"),
    "proof_before": ("present", "absent"),
    "proof_after": ("present", "absent"),
    "restored_polarity": ("correct", "reversed", "no earth", "no neutral", "fault"),
    "restored_metalwork": ("absent", "present"),
}
"""Step to indications, the good one first."""
STATED = {
    "isolation_point_secured": ("locked", "fuse retained", "plug retained", "none", "odd"),
    "caution_notice": ("yes", "no"),
    "fuse_rating_a": ("3", "13", "5", "0", "odd"),
    "required_fuse_rating_a": ("3", "13", "odd"),
    "visual_condition": ("good", "damaged", "odd"),
    "test_leads_condition": ("good", "worn", "odd"),
    "responsible_person_told": ("yes", "no"),
    "connections_remade": ("yes", "no"),
}
OFTEN = st.sampled_from([True] * 6 + [False])
SELDOM = st.sampled_from([False] * 9 + [True])


@st.composite
def contents(draw: st.DrawFn, step: str, *, good: bool) -> Content:
    """One reading of a step: mostly plain, now and then with a bound, over range, unstable, of another meter."""
    if step in WORDS:
        content: Content = {"indication": WORDS[step][0] if good else draw(st.sampled_from(WORDS[step]))}
    else:
        plain, anything = NUMBERS[step]
        content = {"value": draw(plain if good else anything)}
        if not good:
            content["comparator"] = draw(st.sampled_from(["eq", "eq", "eq", "gt", "lt"]))
    if not good and draw(SELDOM):
        content = {"reason": draw(st.sampled_from(["over range", "not stable"]))}
    if step == "rcd_trip":
        content["rcd_multiple"] = draw(st.sampled_from([1.0, 1.0, 5.0] if good else [0.5, 1.0, 2.0, 5.0, None]))
    if step == "insulation" and not good:
        content["test_voltage_v"] = draw(st.sampled_from([None, 50.0, 250.0, 500.0]))
    if not good and draw(SELDOM):
        content["meter_serial"] = draw(st.sampled_from(["MFT-2", None]))
    if not good and draw(SELDOM):
        content["calibration"] = draw(st.sampled_from(["expired", "unknown", "not registered"]))
    return content


@st.composite
def visits(draw: st.DrawFn) -> Visit:
    """A visit: required steps mostly there and mostly good, repeats, optional steps, minutes now and then moved."""
    known = draw(OFTEN)
    appliance = PLAIN_APPLIANCE | (
        {}
        if known
        else {
            "earthing": draw(st.sampled_from(["TN-S", "TN-C-S", "TT", "IT", None])),
            "device": draw(st.sampled_from(["BS1362", "B", "BS88-2", None])),
            "device_rating_a": draw(st.sampled_from([3.0, 6.0, 13.0, 35.0, None])),
            "rcd_rated_ma": draw(st.sampled_from([30.0, 100.0, None])),
            "construction_class": draw(st.sampled_from(["I", "II", None])),
        }
    )
    stated = dict(PLAIN_STATED)
    for item in draw(st.lists(st.sampled_from(sorted(STATED)), max_size=2)):
        stated[item] = draw(st.sampled_from(STATED[item]))
    spoiled = set(draw(st.lists(st.sampled_from(sorted({*NUMBERS, *WORDS})), max_size=3)))
    repeated = draw(st.lists(st.sampled_from(sorted({*NUMBERS, *WORDS})), max_size=2))
    steps = [*PLAIN_STEPS, *draw(st.lists(st.sampled_from(sorted({*NUMBERS, *WORDS} - set(PLAIN_STEPS))), max_size=4))]
    steps = sorted([*steps, *repeated], key=STEP_ORDER.__getitem__)
    readings = []
    for number, step in enumerate(steps, start=1):
        content = draw(contents(step, good=step not in spoiled))
        content["minute"] = number + (draw(st.floats(-60.0, 60.0)) if step in spoiled and draw(SELDOM) else 0.0)
        readings.append((step, content))
    return {
        "appliance": appliance,
        "work_type": draw(st.sampled_from(["service", "service", "repair", "installation", "inspection"])),
        "stated": stated,
        "readings": readings,
    }


def case_of(visit: Visit) -> Case:
    """The visit as a case, planned as its kind of work is."""
    appliance = visit["appliance"]
    needs = plan_needs(
        load_pack().plans[visit["work_type"]],
        construction_class=appliance["construction_class"],
        has_rcd=appliance["rcd_rated_ma"] is not None,
        earthing=appliance["earthing"],
    )
    return make_case(
        visit["readings"], stated=visit["stated"], appliance=appliance, needs=needs, work_type=visit["work_type"]
    )


UPWARDS = (
    "earth_loop", "restored_loop", "earth_continuity", "rcd_trip", "dead_ln", "dead_le", "dead_ne", "load_current",
    "supply_ne", "restored_ne",
)  # fmt: skip
"""Steps whose larger reading is the worse one."""


@st.composite
def worse(draw: st.DrawFn, visit: Visit) -> Visit | None:
    """The visit with one thing made worse; nothing where the thing drawn has nothing worse."""
    if draw(st.booleans()) and draw(st.booleans()):
        return worse_statement(draw, visit)
    place = draw(st.integers(0, len(visit["readings"]) - 1))
    step, content = visit["readings"][place]
    changed = worse_content(draw, visit, step, content)
    if changed is None:
        return None
    readings = list(visit["readings"])
    readings[place] = (step, changed)
    return visit | {"readings": readings}


def worse_statement(draw: st.DrawFn, visit: Visit) -> Visit | None:
    """One good statement left out, or turned into a bad one."""
    good = [item for item, word in visit["stated"].items() if word == STATED[item][0]]
    if visit["stated"].get("fuse_rating_a") != visit["stated"].get("required_fuse_rating_a"):
        good = [item for item in good if "fuse_rating" not in item]  # less said of a wrong fuse is no worsening
    if not good:
        return None
    item = draw(st.sampled_from(sorted(good)))
    kept = {name: word for name, word in visit["stated"].items() if name != item}
    if item in ("test_leads_condition", "responsible_person_told") or draw(st.booleans()):
        bad = {"fuse_rating_a": "13", "required_fuse_rating_a": "odd"}.get(item, STATED[item][-1])
        kept[item] = bad
    return visit | {"stated": kept}


def worse_content(draw: st.DrawFn, visit: Visit, step: str, content: Content) -> Content | None:
    """One reading made worse."""
    if draw(SELDOM):
        return content | {"calibration": "expired"}
    if step in WORDS:
        return content | {"indication": WORDS[step][1]} if content.get("indication") == WORDS[step][0] else None
    value = content.get("value")
    if value is None or content["comparator" if "comparator" in content else "value"] in ("gt", "lt"):
        return None
    if step == "insulation":
        how = draw(st.sampled_from(["less", "bound", "low voltage"]))
        if how == "low voltage":
            return content | {"test_voltage_v": 50.0}
        return content | ({"value": value * draw(st.floats(0.0, 1.0))} if how == "less" else {"comparator": "lt"})
    if step not in UPWARDS or (content.get("rcd_multiple") or 1.0) <= 0.5:
        return None
    if step.endswith("loop") and visit["appliance"]["earthing"] == "TT" and value < 1.0:
        return None  # below one ohm on TT is a question of its own; from there on more is worse
    if step.endswith("_ne") and step in UPWARDS[-2:] and not add_up(visit, step.removesuffix("_ne")):
        return None  # more voltage on the neutral explains a difference of the two others, which is no worsening
    if draw(st.booleans()):
        return content | {"value": value + draw(st.floats(0.0, 3.0 * value + 1.0) | st.floats(1.0, 300.0))}
    return content | {"comparator": "gt"} if step not in ("supply_ne", "restored_ne") else None


def add_up(visit: Visit, phase: str) -> bool:
    """True where all line-neutral and line-earth voltages of the phase lie within the tolerance of the triangle."""
    beside = [content for step, content in visit["readings"] if step in (f"{phase}_ln", f"{phase}_le")]
    values = [content["value"] for content in beside if content.get("comparator", "eq") == "eq" and "value" in content]
    return len(values) == len(beside) and max(values, default=0.0) - min(values, default=0.0) <= 5.0


SOUND: tuple[Content, ...] = (
    {},
    {"earthing": "TN-S", "device": "B", "device_rating_a": 6.0},
    {"earthing": "TT", "device": None, "device_rating_a": None, "rcd_rated_ma": 30.0},
    {"construction_class": "II"},
    {"construction_class": None},
)


@st.composite
def sound_visits(draw: st.DrawFn) -> Visit:
    """A visit on which everything that its kind of work asks for was done and is good."""
    visit: Visit = {
        "appliance": PLAIN_APPLIANCE | draw(st.sampled_from(SOUND)),
        "work_type": draw(st.sampled_from(["service", "repair", "installation"])),
        "stated": dict(PLAIN_STATED),
        "readings": [],
    }
    steps = {step for step, need in case_of(visit).needs.items() if need == "required"}
    optional = ["metalwork_proof_before", "supply_polarity", "restored_polarity", "restored_metalwork", "insulation"]
    steps |= draw(st.sets(st.sampled_from(optional), max_size=2))
    for number, step in enumerate(sorted(steps, key=STEP_ORDER.__getitem__), start=1):
        content = draw(contents(step, good=True)) | {"minute": number}
        if step == "earth_loop" and visit["appliance"]["earthing"] == "TT":
            content["value"] = 20.0 + content["value"]
        visit["readings"].append((step, content))
    return visit


@st.composite
def spoiled(draw: st.DrawFn, visit: Visit) -> Visit:
    """The sound visit with one thing amiss after which nobody may call it satisfactory."""
    readings, stated = list(visit["readings"]), dict(visit["stated"])
    case = case_of(visit)
    needed = [place for place, (step, _) in enumerate(readings) if case.needs_step(step)]
    needed = [
        place
        for place in needed
        if not (readings[place][0] == "earth_continuity" and visit["appliance"]["construction_class"] == "II")
    ]
    numbers = [place for place in needed if "value" in readings[place][1]]
    proofs = [place for place in needed if readings[place][0].startswith("proof")]
    dead = [place for place in needed if readings[place][0].startswith("dead")]
    how = draw(st.sampled_from([
        "left out", "unstable", "statement left out", "calibration", "other meter", "hours away", "wrong side",
        "live first", "lives on", "not registered", "another day",
    ]))  # fmt: skip
    fitting = {"calibration": numbers, "live first": dead, "lives on": dead}
    fitting |= dict.fromkeys(["other meter", "hours away", "wrong side"], proofs)
    place = draw(st.sampled_from(fitting.get(how, needed)))
    step, content = readings[place]
    minute = content["minute"]
    if how == "left out":
        del readings[place]
    elif how == "unstable":
        readings[place] = (step, {"reason": "not stable", "minute": minute})
    elif how == "statement left out":
        del stated[draw(st.sampled_from(["visual_condition", "isolation_point_secured", "caution_notice",
                                         "required_fuse_rating_a"]))]  # fmt: skip
    elif how in ("calibration", "not registered"):
        state = draw(st.sampled_from(["expired", "unknown"])) if how == "calibration" else "not registered"
        readings[place] = (step, content | {"calibration": state})
    elif how == "other meter":
        readings[place] = (step, content | {"meter_serial": "MFT-2"})
    elif how in ("hours away", "wrong side"):
        away = 60.0 if how == "hours away" else 4.5
        readings[place] = (step, content | {"minute": minute - away if step == "proof_before" else minute + away})
        if how == "wrong side":
            readings[place] = (step, content | {"minute": minute + 4.5 if step == "proof_before" else minute - 4.5})
    elif how == "live first":
        readings.append((step, {"value": 231.0, "minute": minute - 0.5}))
    elif how == "lives on":
        readings.append((step, {"value": 231.0, "minute": minute + 0.5}))
    else:
        readings[place] = (step, content | {"minute": minute - 3 * 1440.0})
    return visit | {"readings": readings, "stated": stated}
