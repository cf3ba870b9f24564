"""Invented days with known truth: who was measured when, as meters would remember it and offices would list it.

``draw_style`` chooses how an engineer works, how a meter remembers and how an office writes; ``simulate_book`` plays
days in that style. All names are invented. The ranges are wide on purpose: the matcher must not lean on one style.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from schemas.check import conform_table, empty_table
from schemas.jobs import Appliances, Jobs
from schemas.matches import Sightings
from schemas.meters import Meters
from schemas.steps import STEP_ORDER, STEPS

TIERS = ("clean", "skewed clock", "reset clock", "messy")

BEFORE = ["metalwork_proof_before", "metalwork", "supply_ln", "supply_le", "supply_ne", "supply_polarity",
          "earth_loop", "line_neutral_loop", "rcd_trip"]  # fmt: skip
ISOLATION = ["proof_before", "dead_ln", "dead_le", "dead_ne", "proof_after"]
DEAD = ["earth_continuity", "insulation"]
RESTORED = ["restored_ln", "restored_le", "restored_ne", "restored_polarity", "restored_metalwork", "restored_loop",
            "load_current"]  # fmt: skip
TRIPLE_PLACES = ("ln", "le", "ne")
NIGHT_S = 6 * 3600.0


@dataclass(frozen=True, kw_only=True)
class Style:
    """How one engineer, meter and office do things; shares are from 0 to 1, times in seconds unless named."""

    tier: str = "clean"
    days: int = 1
    jobs_a_day: tuple[int, int] = (5, 9)
    engineers: int = 1
    more_appliances: float = 0.3
    layout: str = "long"
    time_step_s: int = 1
    step_order: str = "usual"
    triple_order: tuple[str, str, str] = TRIPLE_PLACES
    tests: str = "usual"
    interleaved: float = 0.0
    pause_s: float = 40.0
    pause_spread: float = 0.6
    isolate_s: float = 120.0
    work_s: float = 900.0
    work_share: float = 0.5
    appliance_pause_s: float = 240.0
    travel_s: float = 1500.0
    label_style: str = "code"
    label_unlisted: float = 0.0
    label_missing: float = 0.02
    label_missing_visit: float = 0.0
    label_typo: float = 0.0
    label_typo_visit: float = 0.0
    label_left_over: float = 0.0
    hours_missing: float = 0.0
    left_missing: float = 0.0
    hours_rough_s: float = 180.0
    hours_step_s: int = 300
    hours_wrong: float = 0.0
    serial_missing: float = 0.0
    shuffled_list: bool = False
    no_access: float = 0.05
    unmeasured_job: float = 0.0
    strays: float = 0.0
    stray_inside: float = 0.3
    retests: float = 0.0
    retests_late: float = 0.0
    missing_steps: float = 0.0
    unlisted_visits: float = 0.0
    clock: str = "right"
    clock_offset_s: float = 0.0
    clock_drift_s_per_day: float = 0.0
    second_meter: bool = False
    swapped_at_noon: bool = False
    shared_meter: bool = False
    one_memory: bool = False
    late_shift: bool = False
    memory_numbers: bool = True


@dataclass(frozen=True, kw_only=True)
class SimulatedBook:
    """The tables of a book and, for each reading id, the truth: (job id, appliance id, step), or nothing for strays."""

    style: Style
    sightings: pd.DataFrame
    jobs: pd.DataFrame
    appliances: pd.DataFrame
    meters: pd.DataFrame
    truth: dict[str, tuple[str, str, str] | None]


@dataclass(kw_only=True)
class _Writer:
    """Rows written so far."""

    jobs: list[dict[str, Any]] = field(default_factory=list)
    appliances: list[dict[str, Any]] = field(default_factory=list)
    readings: list[dict[str, Any]] = field(default_factory=list)


def draw_style(rng: np.random.Generator, tier: str, *, days: int = 1) -> Style:
    """A style of that tier, every choice drawn."""
    style = Style(
        tier=tier,
        days=days,
        jobs_a_day=((3, 6), (5, 9), (6, 10))[rng.integers(3)],
        more_appliances=float(rng.choice([0.0, 0.15, 0.3, 0.5])),
        layout=str(rng.choice(["long", "long", "long", "wide"])),
        time_step_s=int(rng.choice([1, 1, 1, 60])),
        step_order=str(rng.choice(["usual", "usual", "usual", "rcd last", "rcd first", "dead tests first",
                                   "polarity first", "loop first", "odd"])),
        triple_order=tuple(rng.permutation(TRIPLE_PLACES)) if rng.random() < 0.3 else TRIPLE_PLACES,  # type: ignore[arg-type]
        tests=str(rng.choice(["usual", "usual", "full", "some", "few", "mixed"])),
        interleaved=float(rng.choice([0.0, 0.0, 0.0, 0.2])),
        pause_s=float(rng.choice([8.0, 20.0, 40.0, 40.0, 75.0, 120.0])),
        pause_spread=float(rng.uniform(0.2, 1.0)),
        isolate_s=float(rng.choice([20.0, 90.0, 180.0, 400.0])),
        work_s=float(rng.choice([30.0, 300.0, 1200.0, 2700.0])),
        work_share=float(rng.choice([0.0, 0.5, 1.0])),
        appliance_pause_s=float(rng.choice([60.0, 180.0, 400.0, 900.0])),
        travel_s=float(rng.choice([500.0, 900.0, 1500.0, 2400.0])),
        label_style=str(rng.choice(["code", "code", "number", "word", "site", "same"])),
        label_unlisted=float(rng.choice([0.0, 0.0, 0.1, 0.3])),
        label_missing=float(rng.choice([0.0, 0.02, 0.05])),
        hours_rough_s=float(rng.choice([60.0, 180.0, 420.0])),
        hours_step_s=int(rng.choice([60, 300, 900])),
        serial_missing=float(rng.choice([0.0, 0.0, 0.2, 1.0])),
        shuffled_list=bool(rng.random() < 0.25),
        no_access=float(rng.choice([0.0, 0.05, 0.15])),
        memory_numbers=bool(rng.random() < 0.7),
        hours_missing=float(rng.choice([0.0, 0.05])),
        left_missing=float(rng.choice([0.0, 0.1])),
    )  # fmt: skip
    if tier == "clean":
        return style
    style = replace(
        style,
        label_missing=float(rng.choice([0.0, 0.1, 0.3])),
        label_missing_visit=float(rng.choice([0.0, 0.05, 0.15])),
        label_typo=float(rng.choice([0.0, 0.03])),
        label_typo_visit=float(rng.choice([0.0, 0.05])),
        hours_missing=float(rng.choice([0.0, 0.1, 0.2])),
        left_missing=float(rng.choice([0.0, 0.2])),
        hours_rough_s=float(rng.choice([180.0, 420.0, 700.0])),
        hours_step_s=int(rng.choice([300, 900])),
    )
    if tier == "skewed clock":
        return _skewed(rng, style)
    if tier == "reset clock":
        clock = str(rng.choice(["epoch", "epoch", "none", "reset at noon", "epoch restarts"]))
        return replace(style, clock=clock, clock_drift_s_per_day=float(rng.normal(0, 5)))
    return _messy(rng, style)


def _skewed(rng: np.random.Generator, style: Style) -> Style:
    kind = rng.integers(4)
    offset = (
        float(rng.choice([-3600.0, 3600.0])) + float(rng.normal(0, 40)),
        float(rng.normal(0, 600)),
        float(rng.uniform(-5400, 5400)),
        float(rng.choice([-7200.0, 7200.0, 3600.0, -3600.0, 12 * 3600.0])),
    )[kind]
    return replace(style, clock="offset", clock_offset_s=offset,
                   clock_drift_s_per_day=float(rng.choice([0.0, 5.0, -20.0, 120.0, -300.0])))  # fmt: skip


def _messy(rng: np.random.Generator, style: Style) -> Style:
    style = replace(
        style,
        label_missing=float(rng.choice([0.1, 0.25, 0.5])),
        label_missing_visit=float(rng.choice([0.05, 0.15, 0.3])),
        label_typo=float(rng.choice([0.02, 0.08])),
        label_typo_visit=float(rng.choice([0.02, 0.1])),
        label_left_over=float(rng.choice([0.0, 0.01, 0.03])),
        hours_wrong=float(rng.choice([0.0, 0.0, 0.03])),
        unmeasured_job=float(rng.choice([0.0, 0.05])),
        strays=float(rng.choice([0.005, 0.01, 0.03])),
        stray_inside=float(rng.choice([0.0, 0.3, 0.6])),
        retests=float(rng.choice([0.02, 0.08])),
        retests_late=float(rng.choice([0.0, 0.02])),
        missing_steps=float(rng.choice([0.02, 0.08])),
        unlisted_visits=float(rng.choice([0.0, 0.0, 0.04])),
        second_meter=bool(rng.random() < 0.3),
        swapped_at_noon=bool(rng.random() < 0.15),
        shared_meter=bool(rng.random() < 0.15),
        one_memory=bool(rng.random() < 0.2),
        late_shift=bool(rng.random() < 0.1),
        engineers=int(rng.choice([1, 1, 1, 2])),
    )
    if style.one_memory:
        style = replace(style, days=max(style.days, 2))
    if style.shared_meter:
        style = replace(style, engineers=2)
    trouble = rng.random()
    if trouble < 0.25:
        return replace(_skewed(rng, style), tier="messy")
    if trouble < 0.4:
        return replace(style, clock=str(rng.choice(["epoch", "none", "reset at noon"])))
    return replace(style, clock="offset", clock_offset_s=float(rng.normal(0, 60)))


WORDS = ("KITCHEN", "LOFT", "GARAGE", "HALL", "UTILITY", "CELLAR", "PORCH", "LANDING", "STUDY", "ANNEXE", "BAR", "SHED")
KINDS_OF_APPLIANCE = ("boiler", "gas fire", "water heater", "cooker", "warm air unit")
LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"


def _label(rng: np.random.Generator, style: Style, job: int, place: int, serial: int) -> str:
    if style.label_style == "number":
        return f"{serial + 1:03d}"
    if style.label_style == "word":
        return f"{rng.choice(WORDS)}{'' if place == 0 else place + 1}"
    if style.label_style == "site":
        return f"{10 + 2 * job}MILL {'AB'[place % 2]}{place}"
    if style.label_style == "same":
        return "BOILER" if place == 0 else f"APPL{place + 1}"
    return "".join(rng.choice(list(LETTERS), size=5))


def _mistyped(rng: np.random.Generator, text: str) -> str:
    edits = 1 + int(rng.random() < 0.2)
    letters = list(text)
    for _ in range(edits):
        place = int(rng.integers(len(letters))) if letters else 0
        choice = rng.random()
        if choice < 0.4 and letters:
            letters[place] = str(rng.choice(list(LETTERS)))
        elif choice < 0.6 and len(letters) > 1:
            del letters[place]
        elif choice < 0.8:
            letters.insert(place, str(rng.choice(list(LETTERS))))
        elif len(letters) > 1:
            other = min(place + 1, len(letters) - 1)
            letters[place], letters[other] = letters[other], letters[place]
    return "".join(letters)


def _steps_of_visit(rng: np.random.Generator, style: Style, rcd: bool, class_one: bool) -> list[str]:
    """The steps of one appliance in the order in which this engineer does them."""
    tests = style.tests
    if tests == "mixed":
        tests = str(rng.choice(["usual", "full", "some", "few"]))
    if tests == "usual":
        before = ["metalwork", "supply_ln", "supply_le", "supply_ne", "earth_loop"] + (["rcd_trip"] if rcd else [])
        dead = ["earth_continuity"] if class_one and rng.random() < 0.5 else []
        steps = [*before, *ISOLATION, *dead, "restored_ln", "restored_le", "restored_ne"]
    elif tests == "full":
        steps = [*BEFORE[: 9 if rcd else 8], *ISOLATION, *(DEAD if class_one else DEAD[1:]), *RESTORED]
    elif tests == "few":
        live = ["metalwork", "supply_ln", "supply_le", "supply_ne", "supply_polarity", "earth_loop"]
        few = [live, ["supply_polarity", "earth_loop"], ["metalwork", "earth_loop", *ISOLATION]]
        steps = few[rng.integers(3)]
    else:
        optional = [step for step in STEPS if step not in ("rcd_trip", "earth_continuity")]
        steps = [step for step in optional if rng.random() < 0.75]
        steps = sorted(steps + (["rcd_trip"] if rcd else []), key=STEP_ORDER.__getitem__)
    return _in_style(rng, style, steps)


def _in_style(rng: np.random.Generator, style: Style, steps: list[str]) -> list[str]:
    key = {name: float(place) for name, place in STEP_ORDER.items()}
    for prefix in ("supply", "dead", "restored"):
        base = min(STEP_ORDER[f"{prefix}_{place}"] for place in TRIPLE_PLACES)
        for offset, place in enumerate(style.triple_order):
            key[f"{prefix}_{place}"] = float(base + offset)
    if style.step_order == "rcd last":
        key["rcd_trip"] = 90.0
    elif style.step_order == "rcd first":
        key["rcd_trip"] = -1.0
    elif style.step_order == "dead tests first":
        key["earth_continuity"], key["insulation"] = -3.0, -2.0
    elif style.step_order == "polarity first":
        key["supply_polarity"], key["restored_polarity"] = 0.5, key["proof_after"] + 0.5
    elif style.step_order == "loop first":
        key["earth_loop"], key["line_neutral_loop"] = -0.5, -0.4
    elif style.step_order == "odd":
        key["metalwork"], key["metalwork_proof_before"] = key["supply_ne"] + 0.6, key["supply_ne"] + 0.5
        key["earth_continuity"] = key["proof_before"] - 0.5
        key["restored_loop"] = key["restored_ln"] - 0.5
    return sorted(steps, key=key.__getitem__)


def simulate_book(rng: np.random.Generator, style: Style) -> SimulatedBook:
    """Days of every engineer in that style, written down as meters and offices would."""
    written = _Writer()
    first_day = pd.Timestamp("2031-05-06", tz="UTC") + pd.Timedelta(days=int(rng.integers(0, 300)))
    free_s = [0.0] * style.engineers
    for day in range(style.days):
        for engineer in range(style.engineers):
            date = first_day + pd.Timedelta(days=day)
            free_s[engineer] = NIGHT_S + _day(rng, style, written, date, day, engineer, free_s[engineer])
    readings = _remember(rng, style, written.readings)
    if style.shuffled_list:
        written.jobs = [written.jobs[place] for place in _shuffle_days(rng, written.jobs)]
        order = {job["job_id"]: place for place, job in enumerate(written.jobs)}
        written.appliances.sort(key=lambda row: order[row["job_id"]])
    for table in (written.jobs, written.appliances):
        for place, row in enumerate(table):
            row.update(sequence=place, record_no=place + 2, extra="{}", evidence_sha256="0" * 64)
    return SimulatedBook(
        style=style,
        sightings=table_of(Sightings, readings),
        jobs=table_of(Jobs, written.jobs),
        appliances=table_of(Appliances, written.appliances),
        meters=empty_table(Meters),
        truth={row["reading_id"]: row["truth"] for row in readings},
    )


def table_of(model: Any, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Rows as a checked table of that schema."""
    frame = pd.DataFrame(rows)
    for name in frame.columns:
        if name.endswith("_at"):
            frame[name] = pd.to_datetime(frame[name], utc=True).astype("datetime64[ns, UTC]")
        elif name == "meter_time":
            frame[name] = pd.to_datetime(frame[name]).astype("datetime64[ns]")
    return conform_table(model, frame)


def _shuffle_days(rng: np.random.Generator, jobs: list[dict[str, Any]]) -> list[int]:
    days: dict[int, list[int]] = {}
    for place, job in enumerate(jobs):
        days.setdefault(job["day"], []).append(place)
    return [int(place) for day in sorted(days) for place in rng.permutation(days[day])]


def _day(
    rng: np.random.Generator, style: Style, out: _Writer, date: pd.Timestamp, day: int, engineer: int, free_s: float
) -> float:  # fmt: skip
    """One engineer's day: jobs, appliances and the readings in true time; nobody begins before ``free_s`` [s since
    1970], when the day before and a night are over. Returns when it ended.
    """
    now = date.timestamp() + (18 * 3600 if style.late_shift else 7.5 * 3600) + float(rng.uniform(0, 3600))
    now = max(now, free_s)
    count = int(rng.integers(style.jobs_a_day[0], style.jobs_a_day[1] + 1))
    if style.shared_meter:
        count = max(count // 2, 1)
        handed_over = [reading["true_s"] for reading in out.readings if reading.get("day") == day]
        now = max([now, *(moment + 2400.0 for moment in handed_over)])
    unmarked = len(out.readings)
    for number in range(count):
        job_id = f"J{day:03d}{engineer}{number:02d}"
        serial = _serial(style, engineer, number, count)
        arrived = now
        attended = rng.random() >= style.no_access
        appliances = _list_appliances(rng, style, out, job_id, day * 20 + number, len(out.appliances))
        if attended and rng.random() >= style.unmeasured_job:
            now += float(rng.lognormal(np.log(240), 0.7))
            now = _visit(rng, style, out, now, job_id, appliances, serial, engineer)
            now += float(rng.lognormal(np.log(240), 0.7))
        else:
            now += 600.0
        for reading in out.readings[unmarked:]:
            reading.setdefault("day", day)
        _list_job(rng, style, out, job_id, day, engineer, serial, arrived, now, attended)
        now += 120.0 + float(rng.lognormal(np.log(style.travel_s), 0.4))
        if rng.random() < style.unlisted_visits:
            rows = [
                {
                    "appliance_id": "",
                    "label": "".join(rng.choice(list(LETTERS), size=4)),
                    "rcd": False,
                    "class_one": True,
                }
            ]
            now = _visit(rng, style, out, now, "", rows, serial, engineer) + style.travel_s
        if rng.random() < 0.15:
            now += 1800.0
    return now


def _serial(style: Style, engineer: int, number: int, count: int) -> str:
    if style.shared_meter:
        return "MX1"
    if style.swapped_at_noon and number >= count / 2:
        return f"MX{engineer + 5}"
    return f"MX{engineer + 1}"


def _list_appliances(
    rng: np.random.Generator, style: Style, out: _Writer, job_id: str, job: int, serial: int
) -> list[dict[str, Any]]:  # fmt: skip
    count = 1
    while count < 3 and rng.random() < style.more_appliances:
        count += 1
    same_rcd = rng.random() < 0.5
    rcd_first = bool(rng.random() < 0.3)
    listed = []
    for place in range(count):
        rcd = rcd_first if same_rcd else bool(rng.random() < 0.3)
        label = _label(rng, style, job, place, serial + place)
        room = label.rstrip("23") if style.label_style == "word" else str(rng.choice(WORDS))
        row = {
            "appliance_id": f"A{job_id[1:]}{'abc'[place]}", "job_id": job_id,
            "kind": str(rng.choice(KINDS_OF_APPLIANCE)), "location": room.lower(), "label": label,
            "rcd": rcd, "class_one": bool(rng.random() < 0.8), "rcd_rated_ma": 30.0 if rcd else None,
        }  # fmt: skip
        row["construction_class"] = "I" if row["class_one"] else "II"
        listed.append(row)
        known = rng.random() >= style.label_unlisted
        out.appliances.append({**row, "label": row["label"] if known else None})
    return [listed[place] for place in rng.permutation(count)] if rng.random() < 0.5 else listed


def _list_job(
    rng: np.random.Generator, style: Style, out: _Writer, job_id: str, day: int, engineer: int, serial: str,
    arrived: float, left: float, attended: bool,
) -> None:  # fmt: skip
    wrong = 3600.0 * float(rng.choice([-1, 1])) if rng.random() < style.hours_wrong else 0.0

    def rough(moment: float) -> pd.Timestamp:
        shifted = moment + wrong + float(rng.normal(0, style.hours_rough_s))
        return pd.Timestamp(round(shifted / style.hours_step_s) * style.hours_step_s, unit="s", tz="UTC")

    missing = rng.random() < style.hours_missing
    serials = serial + (" VD" + str(engineer) if style.second_meter else "")
    out.jobs.append(
        {
            "job_id": job_id, "day": day, "site": f"{job_id} Mill Lane", "engineer": f"engineer {engineer}",
            "meter_serials": None if rng.random() < style.serial_missing else serials, "work_type": "service",
            "arrived_at": None if missing else rough(arrived),
            "left_at": None if missing or rng.random() < style.left_missing else rough(left),
            "status": "attended" if attended else "no access",
        }
    )  # fmt: skip


def _visit(
    rng: np.random.Generator, style: Style, out: _Writer, now: float, job_id: str, appliances: list[dict[str, Any]],
    serial: str, engineer: int,
) -> float:  # fmt: skip
    """The readings of one visit in true time; returns when the last was taken."""
    parts: list[tuple[dict[str, Any], list[str]]] = []
    plans = [(row, _steps_of_visit(rng, style, row["rcd"], row["class_one"])) for row in appliances]
    if len(plans) > 1 and rng.random() < style.interleaved:
        live = set(BEFORE)
        parts += [(row, [step for step in steps if step in live]) for row, steps in plans]
        parts += [(row, [step for step in steps if step not in live]) for row, steps in plans]
    else:
        parts = plans
    labels = {row["appliance_id"]: _label_of_visit(rng, style, row, out) for row, _ in plans}
    for place, (row, steps) in enumerate(parts):
        if place:
            now += float(rng.lognormal(np.log(style.appliance_pause_s), 0.4))
        now = _measure(rng, style, out, now, job_id, row, steps, labels[row["appliance_id"]], serial, engineer)
    return now


def _label_of_visit(rng: np.random.Generator, style: Style, row: dict[str, Any], out: _Writer) -> str | None:
    if rng.random() < style.label_missing_visit:
        return None
    if rng.random() < style.label_left_over and out.readings:
        return out.readings[-1]["label"]
    return _mistyped(rng, row["label"]) if rng.random() < style.label_typo_visit else row["label"]


def _measure(
    rng: np.random.Generator, style: Style, out: _Writer, now: float, job_id: str, row: dict[str, Any],
    steps: list[str], label: str | None, serial: str, engineer: int,
) -> float:  # fmt: skip
    """The readings of one appliance, with missing steps, retests and strays."""
    steps = [step for step in steps if rng.random() >= style.missing_steps]
    done: list[str] = []
    for step in steps:
        done.append(step)
        if rng.random() < style.retests:
            done.append(step)
    done += [step for step in steps if rng.random() < style.retests_late]
    group = f"{row['appliance_id']}{job_id}{now:.0f}"
    before = ""
    for step in done:
        now += float(rng.lognormal(np.log(style.pause_s), style.pause_spread))
        phase = STEPS[step].phase
        if before and phase != before:
            if phase == "isolation":
                now += float(rng.lognormal(np.log(style.isolate_s), 0.5))
            elif phase == "restored" and rng.random() < style.work_share:
                now += float(rng.lognormal(np.log(style.work_s), 0.5))
        before = phase
        truth = (job_id, row["appliance_id"], step) if job_id else None
        on_detector = STEPS[step].quantity in ("non_contact_voltage", "voltage_indicator_proof")
        meter = f"VD{engineer}" if style.second_meter and on_detector else serial
        _write(rng, style, out, now, step, label, meter, truth, group)
        if rng.random() < style.strays:
            later = now + (5.0 if rng.random() < style.stray_inside else float(rng.uniform(300, 900)))
            other = "".join(rng.choice(list(LETTERS), size=3))
            stray_label = [None, label, other][rng.choice(3, p=[0.6, 0.15, 0.25])]
            _write(rng, style, out, later, str(rng.choice(list(STEPS))), stray_label, meter, None, f"stray{later}")
    return now


def _write(
    rng: np.random.Generator, style: Style, out: _Writer, now: float, step: str, label: str | None, meter: str,
    truth: tuple[str, str, str] | None, group: str,
) -> None:  # fmt: skip
    typed = label
    if label is not None:
        if rng.random() < style.label_missing:
            typed = None
        elif rng.random() < style.label_typo:
            typed = _mistyped(rng, label)
    out.readings.append(
        {
            "true_s": now, "step": step, "quantity": STEPS[step].quantity, "meter_serial": meter, "truth": truth,
            "conductors": str(rng.choice(STEPS[step].conductors)) or None, "label": typed, "group": group,
        }
    )  # fmt: skip


def _remember(rng: np.random.Generator, style: Style, readings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What the meters remember: order, records, memory numbers and the time by their clocks."""
    rows: list[dict[str, Any]] = []
    files: dict[tuple[str, int], list[dict[str, Any]]] = {}
    for row in sorted(readings, key=lambda row: row["true_s"]):
        day = 0 if style.one_memory else int((row["true_s"] - 4 * 3600) // 86400)
        files.setdefault((row["meter_serial"], day), []).append(row)
    for number, ((meter, _), memory) in enumerate(files.items()):
        memory = _as_wide(memory) if style.layout == "wide" else memory
        times = _clock_times(rng, style, [row["true_s"] for row in memory])
        record, column, last = 1, 0, None
        for place, (row, time_s) in enumerate(zip(memory, times, strict=True)):
            same = style.layout == "wide" and row["group"] == last
            record, column, last = (record, column + 1, last) if same else (record + 1, 1, row["group"])
            stamp = None if time_s is None else pd.Timestamp(int(time_s), unit="s")
            rows.append(
                {
                    **row, "reading_id": f"m{number}-{place:04d}", "evidence_sha256": f"{number:064x}",
                    "record_no": record, "column_no": column, "meter_serial": meter,
                    "memory_no": record if style.memory_numbers else None, "meter_time": stamp,
                    "stamped_at": None if stamp is None else stamp.tz_localize("UTC"),
                }
            )  # fmt: skip
    return rows


def _as_wide(memory: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """One row an appliance: its readings together, under the time and the label of the first."""
    groups: dict[str, list[dict[str, Any]]] = {}
    for row in memory:
        groups.setdefault(row["group"], []).append(row)
    return [
        {**row, "true_s": group[0]["true_s"], "label": group[0]["label"]} for group in groups.values() for row in group
    ]


def _clock_times(rng: np.random.Generator, style: Style, true_s: list[float]) -> list[float | None]:
    """What the clock said at each moment [s since 1970]; nothing where the meter has no clock."""
    step = style.time_step_s
    drift = style.clock_drift_s_per_day / 86400.0
    start = true_s[0]
    epoch = 946684800.0
    shown: list[float | None] = []
    noon = start + (true_s[-1] - start) * float(rng.uniform(0.3, 0.7))
    on_since = start - float(rng.uniform(60, 40000))
    for moment in true_s:
        told = moment + style.clock_offset_s + drift * (moment - start)
        if style.clock == "none":
            shown.append(None)
            continue
        if style.clock == "epoch" or (style.clock == "epoch restarts" and moment < noon):
            told = epoch + (moment - on_since)
        elif style.clock in ("reset at noon", "epoch restarts") and moment >= noon:
            told = epoch + (moment - noon + 5.0)
        shown.append(told // step * step)
    return shown
