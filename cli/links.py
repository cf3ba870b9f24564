"""What ``scan``, ``sync`` and ``clock`` show on a terminal; ``watch`` is in cli.watching. Each gives an exit code."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any, Protocol

from cli.exit_codes import COULD_NOT, DONE, NEEDS_A_PERSON
from cli.meter_progress import MeterProgress
from cli.text import printable, wrapped
from ingest.book import Book
from ingest.clock_exchange import ClockOffset
from ingest.links import open_link
from ingest.meter_clock import check_clock
from ingest.meter_erase import Confirm, erase_meter
from ingest.meter_session import Opener
from ingest.profiles.device import DeviceProfile
from ingest.profiles.devices import device_profiles, read_device_profile
from ingest.scan import SCAN_S, Found, scan_bluetooth, scan_ports
from ingest.sync import SyncReport, sync_meter
from schemas.errors import LinkError

LONG_S = 60.0


class Say(Protocol):
    """Where lines go: ``result`` to standard output, ``remark`` to standard error."""

    def result(self, text: str) -> None:
        """A line of the result."""

    def remark(self, text: str) -> None:
        """A line beside the result."""


class Terminal:
    """Standard output and standard error."""

    def result(self, text: str) -> None:
        """A line of the result."""
        print(text, flush=True)

    def remark(self, text: str) -> None:
        """A line beside the result."""
        print(text, file=sys.stderr, flush=True)


def scan(
    *, say: Say | None = None, as_json: bool = False, seconds: float = SCAN_S,
    ports: Callable[[], list[Found]] = scan_ports, bluetooth: Callable[[float], list[Found]] = scan_bluetooth,
) -> int:  # fmt: skip
    """Serial ports and Bluetooth LE devices in reach, each as a link that can be used. 2 where neither can be seen."""
    say = say or Terminal()
    found: list[Found] = []
    faults: list[LinkError] = []
    for look in (ports, lambda: bluetooth(seconds)):
        try:
            found += look()
        except LinkError as error:
            faults.append(error)
    if as_json:
        say.result(json.dumps({"found": [asdict(one) for one in found], "faults": [str(fault) for fault in faults]}))
    else:
        for one in found:
            strength = f"  {one.signal_dbm} dBm" if one.signal_dbm is not None else ""
            say.result(f"{one.link:32}  {one.name}{strength}{'  ' + one.detail if one.detail else ''}".rstrip())
        if not found:
            say.result("nothing in reach: switch the meter on, plug it in; demo:lines works without a meter")
    for fault in faults:
        say.remark(printable(f"not looked: {fault.what}" + (f"; try: {fault.advice}" if fault.advice else "")))
    return COULD_NOT if len(faults) == 2 else DONE


def sync(
    book: Book, link: str, *, say: Say | None = None, profile: str | None = None, as_json: bool = False,
    delete: bool = False, confirm: Confirm | None = None, opener: Opener = open_link,
) -> int:  # fmt: skip
    """Stored records of the meter into the book. 1 where something was refused or is missing, 2 where it broke off.

    ``delete``: afterwards delete the meter's own records, if ``confirm`` says yes twice.
    """
    say = say or Terminal()
    name, profiles = find_profiles(book, profile)
    with MeterProgress() as progress:
        report = sync_meter(book, link, profile=name, profiles=profiles, progress=progress, opener=opener)
    if as_json:
        say.result(json.dumps(sync_result(report)))
    else:
        for line in sync_lines(report):
            say.result(line)
    if report.fault is not None:
        say.remark(printable_error(report.fault))
        return COULD_NOT
    code = NEEDS_A_PERSON if report.refusals or not report.complete else DONE
    if delete:
        if code != DONE or confirm is None:
            say.remark("the meter's records are not deleted: the book does not hold all of them without a doubt")
            return NEEDS_A_PERSON
        erased = erase_meter(book, link, confirm=confirm, profile=name, profiles=profiles, opener=opener)
        say.remark(printable(erased.sentence))
        return DONE if erased.erased else NEEDS_A_PERSON
    return code


def sync_lines(report: SyncReport) -> list[str]:
    """The end of a sync in a few lines."""
    who = f"meter {report.meter_serial or 'without a serial number'}"
    rate = f", {report.readings / report.seconds:.0f} readings a second" if report.seconds > 2 else ""
    lines = [
        printable(f"{who}: {report.readings} readings, {report.refusals} refusals in {report.seconds:.1f} s{rate}")
    ]
    if report.records_on_meter is not None:
        known = f"; {report.records_known} were in the book before" if report.records_known else ""
        state = "all are in the book" if report.complete else "not all of them are in the book"
        lines.append(f"the meter says that it holds {report.records_on_meter} records: {state}{known}")
    if report.clock is not None:
        lines.append(clock_sentence(report.clock))
    for sentence in report.sentences:
        lines += wrapped(sentence)
    if report.sha256:
        lines.append(f"kept as evidence {report.sha256[:16]}")
    return lines


def sync_result(report: SyncReport) -> dict[str, Any]:
    """A sync for machines."""
    return {
        "evidence_sha256": report.sha256, "profile": report.profile, "meter_serial": report.meter_serial,
        "readings": report.readings, "refusals": report.refusals, "records_on_meter": report.records_on_meter,
        "records_known": report.records_known, "complete": report.complete, "clock": clock_result(report.clock),
        "fault": None if report.fault is None else report.fault.sentence(), "remarks": list(report.sentences),
        "seconds": round(report.seconds, 3),
    }  # fmt: skip


def clock(
    book: Book, link: str, *, say: Say | None = None, profile: str | None = None, as_json: bool = False,
    set_it: bool = False, opener: Opener = open_link,
) -> int:  # fmt: skip
    """How far the meter's clock is off; with ``set_it`` set it and say what is left."""
    say = say or Terminal()
    name, profiles = find_profiles(book, profile)
    report = check_clock(book, link, profile=name, profiles=profiles, set_it=set_it, opener=opener)
    if as_json:
        say.result(json.dumps({
            "meter_serial": report.meter_serial, "before": clock_result(report.before),
            "after": clock_result(report.after), "evidence_sha256s": list(report.sha256s),
            "remarks": list(report.sentences),
        }))  # fmt: skip
        return DONE
    say.result(clock_sentence(report.before))
    if report.after is not None:
        say.result(f"set; now {clock_sentence(report.after)}")
    for sentence in report.sentences:
        say.result(printable(sentence))
    return DONE


def clock_sentence(offset: ClockOffset) -> str:
    """The offset of a clock for people."""
    way = "fast" if offset.offset_s > 0 else "slow"
    size = abs(offset.offset_s)
    shown = f"{size:.2f} s"
    if size >= LONG_S:
        shown = f"{int(size // 3600)} h {int(size % 3600 // 60)} min {size % 60:.1f} s"
    within = f"±{offset.uncertainty_s:.2f} s" if offset.uncertainty_s >= 0.01 else f"±{offset.uncertainty_s:.4f} s"
    if size <= offset.uncertainty_s:
        return f"the meter's clock is right within {within} ({offset.exchanges} answers)"
    return f"the meter's clock is {shown} {way}, {within} ({offset.exchanges} answers)"


def clock_result(offset: ClockOffset | None) -> dict[str, Any] | None:
    """An offset for machines."""
    if offset is None:
        return None
    return {
        "offset_s": round(offset.offset_s, 6), "uncertainty_s": round(offset.uncertainty_s, 6),
        "observed_at": offset.observed_at.isoformat(), "exchanges": offset.exchanges, "agree": offset.agree,
    }  # fmt: skip


def find_profiles(book: Book, profile: str | None) -> tuple[str | None, dict[str, DeviceProfile]]:
    """The name to choose and the profiles to choose from; ``profile`` may also be the path of a TOML file."""
    profiles = device_profiles(book.profiles)
    if profile is not None and profile.endswith(".toml"):
        own = read_device_profile(Path(profile))
        return own.name, profiles | {own.name: own}
    return profile, profiles


def printable_error(fault: LinkError) -> str:
    """The fault as lines for standard error."""
    return "\n".join(printable(line) for line in f"error: {fault.sentence()}".split("\n"))
