"""What has been received of a meter's memory, as marks instead of texts: about 12 bytes a record, however many.

A mark is 64 bits of a hash of a record's text. Two contents of one position are told apart by their marks; the texts
themselves stand in the transcript.
"""

from __future__ import annotations

import hashlib
from array import array
from collections import Counter
from collections.abc import Iterator
from typing import Final

PAGE: Final = 64
MOST_COUNTED: Final = 255


def content_mark(raw: str) -> int:
    """The mark of a record as received; never 0."""
    digest = hashlib.blake2b(raw.encode("utf-8", "surrogatepass"), digest_size=8).digest()
    return int.from_bytes(digest, "little") or 1


class Marks:
    """A whole number for each position, 0 where there is none; small where positions lie close together."""

    def __init__(self, kind: str = "Q") -> None:
        self._pages: dict[int, array[int]] = {}
        self._empty = array(kind, [0]) * PAGE
        self._filled = 0

    def __getitem__(self, position: int) -> int:
        page = self._pages.get(position // PAGE)
        return page[position % PAGE] if page is not None else 0

    def __setitem__(self, position: int, number: int) -> None:
        page = self._pages.get(position // PAGE)
        if page is None:
            page = self._pages[position // PAGE] = self._empty[:]
        self._filled += (number != 0) - (page[position % PAGE] != 0)
        page[position % PAGE] = number

    def __contains__(self, position: int) -> bool:
        return self[position] != 0

    def __len__(self) -> int:
        return self._filled

    def __iter__(self) -> Iterator[int]:
        """The positions, ascending."""
        for number in sorted(self._pages):
            for place, mark in enumerate(self._pages[number]):
                if mark:
                    yield number * PAGE + place

    def update(self, other: Marks) -> None:
        """Take over what ``other`` has."""
        for position in other:
            self[position] = other[position]


class Copies:
    """How often each content of each position was received. A record without a position counts under None."""

    def __init__(self) -> None:
        self._first = Marks()
        self._times = Marks("B")
        self._several: dict[int | None, Counter[int]] = {}

    def add(self, position: int | None, mark: int) -> int:
        """Count one copy; how many of this content there are now."""
        if position is not None and position not in self._several:
            if self._first[position] in (0, mark):
                self._first[position] = mark
                self._times[position] = min(self._times[position] + 1, MOST_COUNTED)
                return self._times[position]
            self._several[position] = Counter({self._first[position]: self._times[position]})
        counted = self._several.setdefault(position, Counter())
        counted[mark] += 1
        return counted[mark]

    def __contains__(self, position: int | None) -> bool:
        return position in self._several or (position is not None and position in self._first)

    def __iter__(self) -> Iterator[int]:
        """The positions of which something was received, ascending."""
        return iter(self._first)

    def of(self, position: int | None) -> list[tuple[int, int]]:
        """The contents of a position as (mark, copies), the one most often received first."""
        if position in self._several:
            return self._several[position].most_common()
        if position is None or position not in self._first:
            return []
        return [(self._first[position], self._times[position])]

    def newest(self, position: int) -> int:
        """The content of a position that was the last to appear; 0 where there is none."""
        if position in self._several:
            return list(self._several[position])[-1]
        return self._first[position]

    def agreed(self, position: int | None) -> int:
        """The content received at least twice, and more often than any other of its position; 0 where there is none."""
        counted = self.of(position)
        sure = bool(counted) and counted[0][1] >= 2 and (len(counted) == 1 or counted[1][1] < counted[0][1])
        return counted[0][0] if sure else 0

    def contents(self) -> int:
        """How many different records have arrived; two of one position, as after a wrap, are two."""
        alone = len(self._first) - sum(1 for position in self._several if position is not None)
        return alone + sum(len(counted) for counted in self._several.values())
