"""What ``watch`` shows: each reading as it arrives, where it stands, what comes next; a danger cannot be overlooked."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from cli.exit_codes import COULD_NOT, DONE, NEEDS_A_PERSON
from cli.links import Say, Terminal, find_profiles, printable_error
from cli.live_plan import LivePlan, Place
from cli.text import printable, wrapped
from ingest.book import Book
from ingest.extract import ReadingRow, RefusalRow
from ingest.links import open_link
from ingest.meter_session import Opener
from ingest.office import read_office
from ingest.watch import LiveItem, Watch, WatchReport
from schemas.errors import LinkError
from schemas.steps import STEPS

RULE = "!" * 79


def watch(
    book: Book, link: str, *, say: Say | None = None, profile: str | None = None, appliance: str | None = None,
    as_json: bool = False, readings: int | None = None, opener: Opener = open_link,
) -> int:  # fmt: skip
    """Live readings until Ctrl-C, or until ``readings`` of them. 1 where a danger was shown or something was refused.

    ``appliance``: the appliance of the job list that is being tested; without it readings are shown and not placed.
    """
    say = say or Terminal()
    name, profiles = find_profiles(book, profile)
    plan = LivePlan(read_office(book), appliance) if appliance else None
    shown: set[str] = set()
    with Watch(book, link, profile=name, profiles=profiles, opener=opener) as live:
        try:
            if plan and not as_json and (first := plan.next_step()):
                say.remark(f"first: {STEPS[first].title}")
            _show_all(live, plan, say, shown, as_json=as_json, readings=readings)
        except KeyboardInterrupt:
            say.remark("stopped by you")
        except LinkError as fault:
            live.fail(fault)
        report = live.close()
    return _end(report, say, danger=bool(shown))


def _show_all(
    live: Watch, plan: LivePlan | None, say: Say, shown: set[str], *, as_json: bool, readings: int | None
) -> None:
    count = 0
    for item in live:
        if item is None:
            continue
        place = plan.place(item.row, item.received_at) if plan and isinstance(item.row, ReadingRow) else None
        if as_json:
            say.result(json.dumps(item_result(item, place)))
        else:
            for line in item_lines(item, place):
                say.result(line)
        for code, message, action in place.dangers if place else ():
            if code not in shown and not as_json:
                for line in danger_lines(code, message, action):
                    say.result(line)
            shown.add(code)
        count += isinstance(item.row, ReadingRow)
        if readings is not None and count >= readings:
            return


def item_lines(item: LiveItem, place: Place | None) -> list[str]:
    """One reading on one line, and below it where it stands."""
    at = f"{item.received_at.astimezone():%H:%M:%S}"
    if isinstance(item.row, RefusalRow):
        return [printable(f"{at}  not read: {item.row.reason}: {item.row.message}: {item.row.raw_text}")]
    row = item.row
    pair = f" {row.conductors}" if row.conductors else ""
    line = printable(f"{at}  {row.quantity.replace('_', ' ')}{pair}  {value_text(row)}")
    if place is None:
        return [line]
    here = STEPS[place.step].title if place.step else "not in the plan"
    after = f"; next: {STEPS[place.next].title}" if place.next else "; nothing is open"
    return [f"{line}  [{here}{after}]"]


def value_text(row: ReadingRow) -> str:
    """The value with its unit, the indication, or why there is none."""
    if row.indication is not None:
        return row.indication
    if row.value is None:
        return f"no number: {row.reason}"
    mark = {"gt": "> ", "lt": "< "}.get(row.comparator or "", "")
    return f"{mark}{scaled(row.value, row.unit or '')}"


def scaled(value: float, unit: str) -> str:
    """A value with a prefix that a person reads easily."""
    for factor, prefix in ((1e9, "G"), (1e6, "M"), (1e3, "k")):
        if abs(value) >= factor:
            return f"{value / factor:.6g} {prefix}{unit}"
    if unit == "s" and 0 < abs(value) < 1:
        return f"{value * 1000:.6g} m{unit}"
    return f"{value:.6g} {unit}"


def danger_lines(code: str, message: str, action: str) -> list[str]:
    """A danger, unmistakable without colour: a rule above and below, the word, and the bell of the terminal."""
    return [
        "\a" + RULE, *wrapped(message, first=f"!!! DANGER {code}: ", rest="!!!   "),
        *wrapped(action, first="!!! do now: ", rest="!!!   "), RULE,
    ]  # fmt: skip


def item_result(item: LiveItem, place: Place | None) -> dict[str, Any]:
    """One reading for machines, one JSON object a line."""
    row = item.row
    result: dict[str, Any] = {"received_at": item.received_at.isoformat(), "raw_text": row.raw_text}
    if isinstance(row, RefusalRow):
        return result | {"kind": "refusal", "reason": row.reason, "message": row.message}
    names = ("quantity", "conductors", "value", "unit", "comparator", "indication", "reason", "label", "meter_serial")
    result |= {"kind": "reading"} | {name: getattr(row, name) for name in names}
    result["meter_time"] = row.meter_time.isoformat() if isinstance(row.meter_time, datetime) else None
    if place is not None:
        result |= {"step": place.step, "next_step": place.next, "outcome": place.outcome}
        result["dangers"] = [{"code": code, "message": text, "action": do} for code, text, do in place.dangers]
    return result


def _end(report: WatchReport, say: Say, *, danger: bool) -> int:
    say.remark(f"{report.readings} readings, {report.refusals} refusals" + (
        f"; kept as evidence {' '.join(sha256[:16] for sha256 in report.sha256s)}" if report.sha256s
        else "; nothing was received"
    ))  # fmt: skip
    if report.fault is not None:
        say.remark(printable_error(report.fault))
        return COULD_NOT
    return NEEDS_A_PERSON if danger or report.refusals else DONE
