"""Stored records of a meter that is asked by their own number and not by place: what is new, checked by count."""

from __future__ import annotations

from collections.abc import Mapping

from ingest.download import OVERLAP, Download
from ingest.transports.transport import LinkLost
from schemas.errors import LinkError

TIMES = 4
WRAPPED = 1 << 15


def download_sequence(download: Download, count: int | None, known: Mapping[int, str]) -> dict[int, str]:
    """All records of the meter: from the last few known ones on, and all of them where that does not add up.

    It adds up where the known records of the overlap came again unchanged, known and new ones together are as many
    as the meter says it holds, and it holds none below the known ones: that would be numbers that began again. Cleared
    memories and lost notifications show there too.
    """
    bound = download.session.profile.meter.max_records
    if count is not None and count > bound:
        download.sentences.append(f"the meter says that it holds {count} records; the profile allows {bound}")
    if known and count:
        together = _only_new(download, count, known)
        if together is not None:
            return together
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
    return _arrived(download)


def _only_new(download: Download, count: int, known: Mapping[int, str]) -> dict[int, str] | None:
    """Known and new records where all adds up; None where all of the memory has to be read."""
    first, last = min(known), max(known)
    if last - first > WRAPPED:
        return None
    overlap = sorted(known)[-OVERLAP:]
    download.ask([overlap[0]])
    if any(download.certain(number) != known[number] for number in overlap):
        download.other_memory = True
        download.sentences.append("the meter's memory is not the one last read: all of it is read")
        return None
    together = dict(known) | _arrived(download)
    try:
        from_first = download.session.run(download.session.meter.count(first))
    except LinkLost:
        raise
    except LinkError:
        return None
    return together if len(together) == count == from_first else None


def _arrived(download: Download) -> dict[int, str]:
    return {number: raw for number in download.copies if (raw := download.certain(number)) is not None}
