"""What a rule is, what it may look at, and what it says."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from reconcile.case import Case
from reconcile.pack import Pack
from reconcile.tables import Brief
from reconcile.verdicts import Verdict
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.certainty import Certainty


@dataclass(frozen=True, kw_only=True, slots=True)
class Remark:
    """What a rule says: what was found and what it can mean, what to do now and whom to tell, and on what it rests.

    ``checks`` are the checks it is about. A danger or defect makes them unsatisfactory; a query keeps them from passing
    where it ``blocks``; a note changes nothing.
    """

    code: str
    message: str
    action: str
    checks: tuple[str, ...] = ()
    reading_ids: tuple[str, ...] = ()
    source: str = "common practice"
    blocks: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Assessed:
    """A case with the verdicts of its checks before any rule spoke, as case rules see it.

    ``certainties`` has, for each check, how sure the reading of each of its parts is; ``kinds`` has parts by kind.
    """

    case: Case
    verdicts: Mapping[str, Verdict]
    required: frozenset[str]
    certainties: Mapping[str, tuple[Certainty | None, ...]]
    kinds: Mapping[str, tuple[Part, ...]]

    def parts(self, kind: str) -> tuple[Part, ...]:
        """All parts of that kind, in the order of the checks."""
        return self.kinds.get(kind, ())

    def weighed(self) -> Iterator[tuple[str, Part, Certainty | None]]:
        """Every part with its check and how sure its reading is, in the order of the checks."""
        for check, verdict in self.verdicts.items():
            for part, certainty in zip(verdict.parts, self.certainties[check], strict=True):
                yield check, part, certainty

    def parts_with(self, kind: str, *why: str) -> list[Part]:
        """The parts of that kind whose reason is one of these."""
        return [part for part in self.parts(kind) if part.why in why]


@dataclass(frozen=True, kw_only=True, slots=True)
class Day:
    """Everything at once, as day rules see it: the tables, the pack, and the cases with their verdicts.

    ``numbers`` are the readings with ``eq`` that feed verdicts, with the columns of their matches.
    """

    brief: Brief
    pack: Pack
    cases: tuple[Assessed, ...]
    numbers: pd.DataFrame


@dataclass(frozen=True, kw_only=True, slots=True)
class DayRemark:
    """A remark about readings wherever they are: it goes to each certificate that they belong to, the rest to the day.

    ``job_id`` and ``appliance_id`` are filled where the remark is about a place without a certificate.
    """

    remark: Remark
    job_id: str | None = None
    appliance_id: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Rule:
    """One rule: its ``codes``, what it is about in one line, the source, an example of when it speaks, and a function.

    ``find`` sees one case at a time, ``find_in_day`` everything at once; a rule has one of them.
    """

    codes: tuple[str, ...]
    about: str
    source: str
    effect: Literal["unsatisfactory", "inconclusive", "none"]
    find: Callable[[Assessed], Iterable[Remark]] | None = None
    find_in_day: Callable[[Day], Iterable[DayRemark]] | None = None
