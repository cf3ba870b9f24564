"""What was understood of one table: the plan by which its rows are read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

from ingest.cells.units import Unit
from ingest.cells.value import Word
from ingest.exports.context import is_comment, is_furniture, is_statistic
from ingest.exports.measurements import Meaning
from ingest.exports.roles import INDICATED
from ingest.exports.wide import TestColumn

REMARKS: Final = frozenset(("note", "notes", "remark", "remarks", "comment", "comments", "memo", "observations"))


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What each column of one table holds.

    Long (``value`` is set): one reading a row, named by ``test`` or by ``meaning``. Wide: one reading for each filled
    cell of ``tests``. ``roles`` gives the position of every other column that is read. ``told`` is the order of day and
    month that heading or profile names, ``offset_min`` the zone in a heading [minutes]. ``names`` are names of tests
    that a profile explains, ``words`` words in value cells. ``crossed``: a row names the quantity, the columns name the
    conductors. ``doubt`` says why none of its rows can be read with certainty.
    """

    headings: tuple[str, ...]
    roles: tuple[tuple[str, int], ...]
    tests: tuple[TestColumn, ...] = ()
    value: int | None = None
    meaning: Meaning | None = None
    value_unit: Unit | None = None
    told: str | None = None
    offset_min: int | None = None
    doubt: str = ""
    crossed: bool = False
    names: Mapping[str, Meaning] = field(default_factory=dict)
    words: Mapping[str, Sequence[Word]] = field(default_factory=dict)

    @property
    def is_long(self) -> bool:
        """True where a row is one reading."""
        return self.value is not None

    @property
    def known_tests(self) -> tuple[TestColumn, ...]:
        """The columns of values whose heading says something."""
        known = (test for test in self.tests if test.meaning.is_reading or test.meaning.conductors is not None)
        return tuple(known) or self.tests

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.headings)

    @cached_property
    def own(self) -> tuple[tuple[str, int], ...]:
        """Columns that tell one record from another: its number, its date, its time. A summary has none of them."""
        places = dict(self.roles)
        return tuple(
            (role, places[role]) for role in ("memory_no", "moment", "date", "epoch", "time") if role in places
        )

    @cached_property
    def numbered(self) -> tuple[int, ...]:
        """Columns one of which begins with a digit in nearly every row of data: its own, or else its values."""
        values = [test.index for test in self.tests] if self.value is None else [self.value]
        return tuple(at for _, at in self.own) or tuple(values)

    @cached_property
    def watched(self) -> tuple[int, ...]:
        """Columns whose text can make a row a comment, page furniture or an average."""
        places = {0, self.at("label")} if self.own else {0, self.at("label"), self.at("test")}
        return tuple(sorted(at for at in places if at is not None))

    @cached_property
    def remarks(self) -> tuple[int, ...]:
        """Columns of remarks: most say nothing of the value, some take it away."""
        taken = set(self._places.values()) | {self.value} | {test.index for test in self.tests}
        named = [at for at, heading in enumerate(self.headings) if heading.strip().lower().rstrip(".:") in REMARKS]
        return tuple(at for at in named if at not in taken)

    @cached_property
    def unexplained(self) -> tuple[int, ...]:
        """Columns that nothing is taken from: a sign in one of them may belong to a value of its row."""
        taken = {*self._places.values(), *self.remarks, self.value}
        for test in self.tests:
            taken |= {test.index, test.unit_at, test.sign_at, *test.flags}
        return tuple(at for at in range(self.width) if at not in taken)

    @cached_property
    def behind(self) -> tuple[int, ...]:
        """Columns behind the values of a wide table that hold words: remarks, verdicts, names that are not read."""
        if self.value is not None or not self.tests:
            return ()
        taken = {at for role, at in self.roles if role not in ("verdict", "label")}
        for test in self.tests:
            taken |= {at for at in (test.index, test.unit_at, test.sign_at, *test.flags) if at is not None}
        last = max(test.index for test in self.known_tests)
        return tuple(at for at in range(last + 1, self.width) if at not in taken and self.headings[at])

    @cached_property
    def first_value(self) -> int | None:
        """The first column of values of a wide table where it stands directly behind the label and holds numbers."""
        label = self.at("label")
        if self.value is not None or label is None:
            return None
        beside = (test for test in self.tests if test.index == label + 1)
        return next((test.index for test in beside if test.meaning.quantity not in (None, *INDICATED)), None)

    @cached_property
    def wordless(self) -> tuple[int, ...]:
        """Columns of a wide table where a word may mean that the row is shifted: number, date, first value."""
        if self.value is not None:
            return ()
        places = (self.at("memory_no"), self.at("date"), self.at("moment"), self.first_value)
        return tuple(at for at in places if at is not None)

    def at(self, role: str) -> int | None:
        """Position of the column that holds ``role``, or None."""
        return self._places.get(role)

    @cached_property
    def _places(self) -> Mapping[str, int]:
        return dict(self.roles)


def is_aside(plan: Plan, text: str, *, first: bool) -> bool:
    """True where the text of a watched column can make its row something else than a record."""
    if not text or (first and text[0].isdigit()):
        return False
    return is_statistic(text) or (first and (is_comment(text) or is_furniture(text)))


def repeated(before: Plan, again: Plan, used: int) -> Plan | None:
    """The plan ``before`` where ``again`` (headings of ``used`` rows) only repeats its headings, perhaps in capitals or
    without the row of units; None where it says something else.
    """
    if before.headings == again.headings and used == 1:
        return before
    if [one.lower() for one in before.headings] != [one.lower() for one in again.headings]:
        return None
    first, second = ({test.index: test.meaning for test in one.known_tests} for one in (before, again))
    units = [(first[at].unit, second[at].unit) for at in first if at in second] + [
        (before.value_unit, again.value_unit)
    ]
    alike = first.keys() == second.keys() and all(first[at].quantity == second[at].quantity for at in first)
    return before if alike and all(new is None or new == old for old, new in units) else None
