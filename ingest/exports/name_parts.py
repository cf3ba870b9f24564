"""The name of a test or column cut into the words and marks that the vocabulary knows, and what is left over."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final

_LINE: Final = r"(?:l1?|lines?|lives?|phase|ph|p)"
_NEUTRAL: Final = r"(?:n|neutrals?)"
_EARTH: Final = r"(?:p\.?e|earth|e|gnd|ground|cpc)"
_TO: Final = r"\s?(?:-|/|\bto\b|→|>|:|–|\band\b|\s)\s?"
_BACK: Final = r"\s?(?:-|/|\bto\b|→)\s?"
_BOTH: Final = (
    r"(?:\(?l\s?[+&]?\s?n\)?|(?:lines?|lives?|phase)\s?(?:[+&,]|and)\s?neutrals?|l\s?(?:and|,)\s?n|lives|"
    r"live conductors|line and neutral conductors)"
)
_EITHER: Final = r"(?:\(?l\s?/\s?n\)?|(?:lines?|lives?|phase)\s?/\s?neutrals?)"
_END: Final = r"(?![a-z0-9])"
_TIMES: Final = r"(?P<times>1/2|½|0[.,]5|1|2|5)"
_RATED: Final = r"(?:\s?(?:i\s?[δd]?\s?n|i|rated(?: residual)?(?: operating)?(?: current)?))?"

Row = tuple[str, str, str]
_NAMED: Final[tuple[Row, ...]] = (
    ("pair", "LN-E", rf"{_BOTH}\s?(?:-|/|\bto\b|→)\s?{_EARTH}{_END}"),
    ("pair", "LN-E", rf"{_EITHER}\s?(?:-|\bto\b|→)\s?{_EARTH}{_END}"),
    ("pair", "LN-E", rf"(?:l\s?-\s?n)\s?(?:\bto\b|→)\s?{_EARTH}{_END}"),
    ("pair", "LN-E", rf"{_EARTH}{_BACK}(?:l\s?[+&]\s?n|ln){_END}"),
    ("pair", "LN-E", rf"lnp?e{_END}"),
    ("unclear", "three conductors", rf"{_LINE}{_TO}{_NEUTRAL}{_TO}{_EARTH}{_END}"),
    ("unclear", "three conductors", rf"{_NEUTRAL}{_TO}{_LINE}{_TO}{_EARTH}{_END}"),
    ("unclear", "a pair of a three-phase supply", rf"(?:l[123]?{_TO}l[123]?|l[23]{_TO}(?:n|pe|e|neutral|earth)){_END}"),
    ("pair", "L-N", rf"{_LINE}{_TO}{_NEUTRAL}(?![a-z0-9+])"),
    ("pair", "L-E", rf"{_LINE}{_TO}{_EARTH}{_END}"),
    ("pair", "N-E", rf"{_NEUTRAL}{_TO}{_EARTH}{_END}"),
    ("pair", "L-N", rf"{_NEUTRAL}{_BACK}{_LINE}{_END}"),
    ("pair", "L-E", rf"{_EARTH}{_BACK}{_LINE}{_END}"),
    ("pair", "N-E", rf"{_EARTH}{_BACK}{_NEUTRAL}{_END}"),
    ("pair", "L-N", rf"ln{_END}"),
    ("pair", "L-E", rf"lp?e{_END}"),
    ("pair", "N-E", rf"np?e{_END}"),
    ("volts", "L-N", rf"[uv]\s?\(?l\s?[-/]?\s?n\)?{_END}"),
    ("volts", "L-E", rf"[uv]\s?\(?l\s?[-/]?\s?p?e\)?{_END}"),
    ("volts", "N-E", rf"[uv]\s?\(?n\s?[-/]?\s?p?e\)?{_END}"),
    ("impedance", "L-N", rf"z\s?\(?l\s?[-/]?\s?n\)?{_END}"),
    ("impedance", "L-E", rf"z\s?\(?l\s?[-/]?\s?p?e\)?{_END}"),
    ("conductors", "R1R2", rf"\(?r\s?1\s?(?:\+|&)\s?r\s?2\)?{_END}"),
    ("unclear", "two conductors apart", rf"r\s?1\s?[-/,:]\s?r\s?2{_END}"),
    ("rated current", "", rf"(?:(?:at|@)\s?)?i\s?[δd]\s?n{_END}"),
    ("kind of device", "", rf"type\s?(?:ac|a|b\+?|f|s|g){_END}|(?:ac|a|s|g)[\s-]?type{_END}"),
    ("ordinal", "", r"(?:table|section|part|sheet|page)\s?\d{1,2}(?:\.\d{1,2})?[a-z]?(?![a-z0-9.])"),
)  # fmt: skip
_NUMBERED: Final[tuple[Row, ...]] = (
    ("test voltage", "", r"(?:(?:@|at|with)\s?)?(?:a\s)?(?:test (?:voltage|volts)\s?(?:of|=|:)?\s?)?"
                         r"(?P<volts>50|100|125|250|500|1000|1\s?k)\s?v(?:olts?)?\s?(?:d\.?\s?c\.?)?"
                         rf"(?:\s?test(?: voltage)?)?{_END}"),
    ("bare voltage", "", rf"(?:@\s?)?(?P<volts>250|500|1000)(?![.,]?\d){_END}"),
    ("multiple", "", rf"(?:(?:at|@)\s?)?(?:x|\*)\s?{_TIMES}{_RATED}(?![a-z0-9]|[.,]\d)"),
    ("multiple", "", rf"(?:(?:at|@)\s?)?{_TIMES}\s?(?:x|\*|times)\s?{_RATED}{_END}"),
    ("multiple", "", rf"(?:(?:at|@)\s?)?{_TIMES}\s?i(?:\s?[δd]\s?n)?{_END}"),
    ("multiple", "", r"(?:(?:at|@)\s?)?(?P<times>50|100|200|500)\s?%"),
    ("current of the test", "", rf"(?:(?:at|@)\s?)?\d{{1,4}}(?:\.\d)?\s?m?a(?:mps?)?{_END}"),
    ("current of the test", "rcd", rf"(?:10|30|100|300|500)(?![.,]?\d){_END}"),
    ("half wave", "", r"(?:(?:at|@)\s?)?(?:0|180|90|270)\s?(?:°|º|degrees?|deg\.?)(?![a-z0-9])"),
    ("half wave", "", rf"(?:0|180)(?![.,]?\d){_END}"),
    ("half wave", "", r"[+-]\s?ve(?![a-z0-9])"),
)  # fmt: skip
PATTERNS: Final = tuple(
    (kind, value, re.compile(f"(?<!{behind})(?:{pattern})"))
    for behind, rows in ((r"[a-z0-9]", _NAMED), (r"[0-9.,]", _NUMBERED)) for kind, value, pattern in rows
)  # fmt: skip
_WORD: Final = re.compile(r"[^\W\d_]+|\d+(?:[.,]\d+)?")
_JOIN: Final = re.compile(r"[\s.'’(-]{0,2}")
_SEPARATORS: Final = " -–—/,;:.()[]{}|'\"_&→\t"
_LEFT: Final = re.compile(r"[^\s,;()\[\]{}]+")
LONGEST_PHRASE: Final = 6
LOOSE: Final = 100
"""What a sign that joins conductors costs where it joins nothing: more than any number of parts."""


Kinds = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Part:
    """One phrase of a name: its ``kinds`` are what it can be, each with a value, the likeliest first."""

    text: str
    kinds: Kinds

    def value(self, kind: str) -> str | None:
        """What the phrase says of this ``kind``, or None."""
        return next((value for name, value in self.kinds if name == kind), None)


def cut_name(text: str) -> tuple[list[Part], list[tuple[int, int]]]:
    """The parts of lower-case ``text`` from left to right, and where the words stand that nothing explains.

    Of all ways to cut it, the one that leaves the fewest words over, in the fewest parts.
    """
    best: list[tuple[int, int, int, Kinds]] = [(0, 0, len(text), ())] * (len(text) + 1)
    for at in range(len(text) - 1, -1, -1):
        ways = [(best[end][0], best[end][1] + 1, end, kinds) for end, kinds in _starts(text, at)]
        if text[at] in _SEPARATORS:
            loose = best[at + 1][1] + (LOOSE if text[at] in "&/→" else 0)
            ways.append((best[at + 1][0], loose, at + 1, ()))
        elif not ways:
            end = _strange_end(text, at)
            ways.append((best[end][0] + 1, best[end][1], end, ()))
        best[at] = min(ways, key=lambda way: (way[0], way[1], -way[2]))
    parts: list[Part] = []
    left: list[tuple[int, int]] = []
    at = 0
    while at < len(text):
        _, _, end, kinds = best[at]
        if kinds:
            parts.append(Part(text[at:end], kinds))
        elif text[at] not in _SEPARATORS:
            left.append((at, end))
        at = end
    return parts, left


def _strange_end(text: str, at: int) -> int:
    found = _WORD.match(text, at) or _LEFT.match(text, at)
    return found.end() if found else at + 1


def _starts(text: str, at: int) -> list[tuple[int, Kinds]]:
    """Where the patterns and phrases that begin at ``at`` end, and what they can be; what is unclear comes first."""
    found: list[tuple[int, Kinds]] = []
    if at and ((text[at - 1].isalpha() and text[at].isalpha()) or (text[at - 1].isdigit() and text[at].isdigit())):
        return found
    for kind, value, pattern in PATTERNS:
        if match := pattern.match(text, at):
            caught = next((group for group in match.groupdict().values() if group), value)
            found.append((match.end(), ((kind, caught),)))
    return [*found, *_phrases(text, at)]


def _phrases(text: str, at: int) -> list[tuple[int, Kinds]]:
    found: list[tuple[int, Kinds]] = []
    known, joined, here = phrases(), "", at
    for _ in range(LONGEST_PHRASE):
        word = _WORD.match(text, here)
        if word is None:
            break
        joined += word[0]
        parted, kinds = known.get(joined, (False, ()))
        if kinds and (parted or text[at : word.end()] == joined):
            found.append((word.end(), kinds))
        joint = _JOIN.match(text, word.end())
        here = joint.end() if joint else word.end()
    return found


@cache
def phrases() -> Mapping[str, tuple[bool, Kinds]]:
    """Each phrase of measurement_words.toml without its blanks: whether it may be written with blanks, and what it can
    be, in the order of that file.
    """
    text = files("ingest.exports").joinpath("measurement_words.toml").read_text(encoding="utf-8")
    found: dict[str, list[tuple[str, str]]] = {}
    parted: set[str] = set()
    for kind, groups in tomllib.loads(text).items():
        for value, words in groups.items():
            for word in words:
                key = "".join(_WORD.findall(word))
                found.setdefault(key, []).append((kind, value))
                parted |= {key} if " " in word else set()
    return {word: (word in parted, tuple(kinds)) for word, kinds in found.items()}
