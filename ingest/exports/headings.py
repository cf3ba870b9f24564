"""One heading to what its column can hold: roles in the order of likelihood, or a measurement."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files
from typing import Final

from ingest.cells.clocks import parse_offset
from ingest.cells.text import CACHE, fold_heading
from ingest.cells.units import Unit
from ingest.exports.measurements import HUMP, Meaning, parse_meaning
from ingest.exports.name_units import take_unit

_PUNCTUATION: Final = re.compile(r"[^\w#%&]+")
_BRACKETED: Final = re.compile(r"[\(\[{]([^()\[\]{}]*)[\)\]}]")
_ORDER: Final = re.compile(r"\b([dmy])\1{0,3}[-/. ]?([dmy])\2{0,3}[-/. ]?([dmy])\3{0,3}\b", re.IGNORECASE)
_CLOCK_UNITS: Final = re.compile(r"hh?:?mm?(?::?ss?)?|24\s?h(?:ours?)?|12\s?h(?:ours?)?|local|am/pm", re.IGNORECASE)


_MEMORY: Final = re.compile(
    r"(?:mem|memory|store|stored|storage|record|rec|slot|log|reading|result|test|meas|measurement|entry|data|item|meter)?"
    r" ?(?:mem|memory|store|slot|record|rec|location|loc|position|pos|cell|address|index|entry)?"
    r" ?(?:no|nr|num|number|#|id|index)?(?<=[a-z#])"
)
_SIGNS: Final = re.compile(r"(?=.*[<>±≥≤]|\+\s?/\s?-)[<>=≥≤±+/\-? ]+")
_ZONED: Final = re.compile(r"\b(utc|gmt)\b|\btime (bst|z|zulu)$", re.IGNORECASE)
_EPOCH: Final = re.compile(
    r"(?=.*\b(?:unix|epoch|posix)\b)"
    r"(?:(?:unix|epoch|posix|time|timestamp|stamp|date|in|of|test|utc|s|ms|sec|seconds?|msec|milliseconds?) ?)+"
)
_BESIDE: Final = re.compile(
    r"(?P<of>.+?)[ _-](?:(?P<unit>units?|uom)|"
    r"(?P<comparator>sign|qualifier|qual|comparator|symbol|modifier|relation|cmp|[<>]|</>|>/<)|"
    r"(?P<flag>flags?|over[ -]?range|overload|overflow|ol|out of range|off scale|saturated))",
    re.IGNORECASE,
)
BESIDE_RANK: Final = 60
MEMORY_RANK: Final = 20
"""Behind the surest words for a memory number, before the vaguest (``no``, ``id``)."""


NO_MEANING: Final = Meaning()


@dataclass(frozen=True)
class Heading:
    """What one heading says: ``roles`` with their rank in the vocabulary (smaller is stronger), the ``meaning`` of a
    measurement, the ``unit`` in it, a date order and a zone offset [minutes] that it names. ``of``: the measurement
    that its cells say something of (a unit, a comparator, a flag).
    """

    text: str
    roles: tuple[tuple[str, int], ...] = ()
    meaning: Meaning = NO_MEANING
    unit: Unit | None = None
    of: Meaning | None = None
    order: str | None = None
    offset_min: int | None = None

    @property
    def known(self) -> bool:
        """True where the vocabulary or a measurement knows the heading."""
        return bool(self.roles) or self.meaning.speaks


@cache
def vocabulary() -> Mapping[str, tuple[tuple[str, int], ...]]:
    """Each known heading to its roles with rank, from vocabulary.toml."""
    roles = tomllib.loads(files("ingest.exports").joinpath("vocabulary.toml").read_text(encoding="utf-8"))["roles"]
    words: dict[str, list[tuple[str, int]]] = {}
    for role, names in roles.items():
        for rank, name in enumerate(names):
            words.setdefault(name, []).append((role, rank))
    return {name: tuple(found) for name, found in words.items()}


@lru_cache(maxsize=CACHE)
def parse_heading(text: str) -> Heading:
    """What the heading ``text`` says; nothing where it is empty or not known."""
    name = fold_heading(text)
    if not name or len(name) > 80:
        return Heading(text=text)
    order = parse_order(name)
    offset = next((parse_offset(part) for part in _BRACKETED.findall(name) if parse_offset(part) is not None), None)
    if offset is None and (zoned := _ZONED.search(name)):
        offset = parse_offset(zoned[1] or zoned[2])
    if _SIGNS.fullmatch(name):
        return Heading(text=text, roles=(("comparator", 0),))
    bare, unit = take_unit(name)
    roles = _roles(name) or _roles(bare) or _roles(_BRACKETED.sub(" ", bare)) or _roles(HUMP.sub(" ", bare))
    roles = tuple((role, rank) for role, rank in roles if not (role in ("time", "date", "moment") and unit))
    meaning, of = parse_meaning(text), None
    beside = None if roles or meaning.is_reading else _BESIDE.fullmatch(name)
    if beside and (of := parse_meaning(beside["of"])).quantity:
        kind = next(kind for kind in ("unit", "comparator", "flag") if beside[kind])
        return Heading(text=text, roles=((kind, BESIDE_RANK),), of=of)
    if any(role in ("test_voltage", "multiple", "value", "unit") for role, _ in roles):
        meaning = Meaning(unit=unit)
    return Heading(text=text, roles=roles, meaning=meaning, unit=unit, order=order, offset_min=offset)


def _roles(name: str) -> tuple[tuple[str, int], ...]:
    word = " ".join(_PUNCTUATION.sub(" ", name.lower()).split())
    known = vocabulary()
    if word in known:
        return known[word]
    if _EPOCH.fullmatch(word):
        return (("epoch", 0),)
    if _MEMORY.fullmatch(word):
        return (("memory_no", MEMORY_RANK),)
    parts = [" ".join(_PUNCTUATION.sub(" ", part).split()) for part in re.split(r"[/|,&]", name.lower())]
    found = [known[part] for part in parts if part in known]
    if len(parts) > 1 and len(found) == len(parts):
        shared = {role for role, _ in found[0]}.intersection(*({role for role, _ in one} for one in found))
        return tuple((role, rank) for role, rank in found[0] if role in shared)
    return ()


def parse_order(text: str) -> str | None:
    """``dmy``, ``mdy`` or ``ymd`` where the text spells a date format (``dd/mm/yyyy``); else None."""
    for found in _ORDER.finditer(text):
        order = "".join(found.groups()).lower()
        if order in ("dmy", "mdy", "ymd") and len(found[0]) >= 3 and (len(found[0]) > 3 or found[0].isupper()):
            return order
    return None
