"""Which stored records to ask for, in which order, until each is certain: overlap, what is new, what went wrong."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from ingest.contents import Copies, Marks, content_mark
from ingest.meter_session import MeterSession
from ingest.protocols.frames import Event, Record
from ingest.protocols.meter import NoAnswer
from ingest.transports.transport import LinkLost

BLOCK: Final = 200
ROUNDS: Final = 6
OVERLAP: Final = 5
SPREAD: Final = 4

Progress = Callable[[int, int | None], None]


@dataclass(kw_only=True)
class Download:
    """What has arrived of the memory of a meter, and what was found out on the way."""

    session: MeterSession
    progress: Progress
    copies: Copies = field(default_factory=Copies)
    sentences: list[str] = field(default_factory=list)
    missing: list[int] = field(default_factory=list)
    other_memory: bool = False
    short: int = 0

    def hear(self, event: Event) -> None:
        """Count a copy of a stored record."""
        if isinstance(event, Record) and event.stored and event.position is not None:
            self.copies.add(event.position, content_mark(event.raw))

    def certain(self, position: int) -> int:
        """The mark of the content of a position, where it is certain; else 0."""
        if self.session.profile.reads_twice:
            return self.copies.agreed(position)
        counted = self.copies.of(position)
        return counted[0][0] if counted else 0

    def fetch(self, positions: Sequence[int], total: int | None, done: int = 0, patience: int = 2) -> None:
        """Ask for ``positions`` until each is certain or asking more does not help; the rest is ``missing``.

        ``patience``: rounds in which nothing at all of what is still wanted arrives, before that is believed.
        """
        for start in range(0, len(positions), BLOCK):
            block = positions[start : start + BLOCK]
            rounds = 0
            while (todo := [position for position in block if not self.certain(position)]) and rounds < ROUNDS:
                rounds += 1
                self.ask(todo)
                left = sum(1 for position in block if not self.certain(position))
                self.progress(done + start + len(block) - left, total)
                if not any(position in self.copies for position in todo) and rounds >= patience:
                    break
            self.missing += [position for position in block if not self.certain(position)]

    def contents(self) -> int:
        """How many different records have arrived; two with one number, as after a wrap, are two."""
        return self.copies.contents()

    def ask(self, positions: Sequence[int]) -> None:
        """One question, the link opened again where it is lost. Raises LinkError where that does not help."""
        try:
            self.session.run(self.session.meter.fetch(positions))
        except (NoAnswer, LinkLost) as fault:
            self.session.reopen(fault)


def download_positions(download: Download, count: int | None, known: Marks) -> None:
    """All records of a meter that is asked by position: known ones after an overlap check, the rest from the meter."""
    meter, profile = download.session.meter, download.session.profile
    bound = profile.meter.max_records
    if count is not None and count > bound:
        download.sentences.append(f"the meter says that it holds {count} records; the profile allows {bound}")
        count = bound
    wanted = range(meter.first_number, meter.first_number + (count or 0))
    outside = any(position not in wanted for position in known)
    if outside or (len(known) and not overlap_agrees(download, known)):
        download.sentences.append("the meter's memory is not the one last read: all of it is read")
        download.other_memory, known = True, Marks()
    fresh = array("Q", (position for position in wanted if position not in known))
    todo = array("Q", (position for position in fresh if not download.certain(position)))
    download.fetch(todo, len(fresh), len(fresh) - len(todo))
    if count is None or (meter.probes_beyond and not download.missing):
        _fetch_beyond(download, wanted.stop, bound, count is None)
    if download.missing:
        shown = ", ".join(map(str, download.missing[:5])) + (" and more" if len(download.missing) > 5 else "")
        download.sentences.append(f"{len(download.missing)} records did not arrive whole: {shown}")


def overlap_agrees(download: Download, held: Marks) -> bool:
    """True where the meter still gives what the book has: the last five, the first, and some between."""
    ordered = array("Q", held)
    step = max(1, len(ordered) // (SPREAD + 1))
    sample = sorted({ordered[0], *ordered[-OVERLAP:], *ordered[step::step][:SPREAD]})
    download.fetch(sample, None)
    agrees = all(download.certain(position) == held[position] for position in sample)
    download.missing = [position for position in download.missing if position not in held]
    return agrees


def _fetch_beyond(download: Download, start: int, bound: int, unknown: bool) -> None:
    """Records after the last one that the meter admits to; a meter without a count is read this way throughout."""
    step = BLOCK if unknown else 1
    found = 0
    for position in range(start, start + bound, step):
        block = range(position, position + step)
        before = len(download.missing)
        download.fetch(block, None, position - start, patience=1)
        del download.missing[before:]
        arrived = sum(1 for at in block if download.certain(at))
        found += arrived
        if arrived < step:
            break
    if found and not unknown:
        download.sentences.append(f"the meter holds {found} records more than it says; they were read too")
