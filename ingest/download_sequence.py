"""Stored records of a meter that is asked by their own number and not by place: what is new, checked by count."""

from __future__ import annotations

from array import array

from ingest.contents import Marks
from ingest.download import OVERLAP, Download
from ingest.transports.transport import LinkLost
from schemas.errors import LinkError

TIMES = 4
WRAPPED = 1 << 15


def download_sequence(download: Download, count: int | None, known: Marks) -> None:
    """All records of the meter: from the last few known ones on, and all of them where that does not add up.

    It adds up where the known records of the overlap came again unchanged, known and new ones together are as many
    as the meter says it holds, and it holds none below the known ones: that would be numbers that began again. Cleared
    memories and lost notifications show there too.
    """
    bound = download.session.profile.meter.max_records
    if count is not None and count > bound:
        download.sentences.append(f"the meter says that it holds {count} records; the profile allows {bound}")
    if len(known) and count and _only_new(download, count, known):
        return
    before = -1
    for _ in range(TIMES):
        if count == 0 or (count is not None and download.contents() >= count) or download.contents() == before:
            break
        before = download.contents()
        download.ask([])
        download.progress(download.contents(), count)
    if count is not None and download.contents() < count:
        download.short = count - download.contents()
        download.sentences.append(
            f"the meter says that it holds {count} records, and {download.contents()} of them arrived"
        )
    if count is not None and download.contents() > count:
        download.sentences.append(f"the meter holds {download.contents() - count} records more than it says")


def _only_new(download: Download, count: int, known: Marks) -> bool:
    """True where known and new records add up; False where all of the memory has to be read."""
    ordered = array("Q", known)
    first, overlap = ordered[0], ordered[-OVERLAP:]
    if ordered[-1] - first > WRAPPED:
        return False
    download.ask([overlap[0]])
    if any(download.certain(number) != known[number] for number in overlap):
        download.other_memory = True
        download.sentences.append("the meter's memory is not the one last read: all of it is read")
        return False
    arrived = sum(1 for number in download.copies if number not in known and download.certain(number))
    together = len(known) + arrived
    try:
        from_first = download.session.run(download.session.meter.count(first))
    except LinkLost:
        raise
    except LinkError:
        return False
    return together == count == from_first
