"""What a heading or the name of a test means: quantity, conductors, unit, test voltage, multiple of rated current.

The same words stand in the headings of wide exports and in the test column of long ones. A name that fits two
quantities, or none, is not read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from ingest.cells.text import CACHE, fold_heading
from ingest.cells.units import Unit, parse_unit
from schemas.quantities import QUANTITIES


@dataclass(frozen=True)
class Meaning:
    """What a name says. ``quantity`` None with ``conductors``: only a pair was named, the unit may tell the rest.

    ``other`` names a quantity that is recognised and not kept (prospective fault current, frequency).
    """

    quantity: str | None = None
    conductors: str | None = None
    unit: Unit | None = None
    test_voltage_v: float | None = None
    rcd_multiple: float | None = None
    other: str | None = None

    @property
    def is_reading(self) -> bool:
        """True where the name can head readings."""
        return self.quantity is not None


_LINE: Final = r"(?:l1?|lines?|lives?|phase|ph|p)"
_NEUTRAL: Final = r"(?:n|neutrals?)"
_EARTH: Final = r"(?:p\.?e|earth|e|gnd|ground|cpc)"
_TO: Final = r"\s?(?:-|/|\bto\b|→|>|:|–|\band\b|\s)\s?"
_PAIRS: Final = (
    ("LN-E", re.compile(
        rf"(?<![a-z0-9])(?:\(?l\s?[+&/]?\s?n\)?|line\s?[+&/]\s?neutral|live\s?[+&/]\s?neutral|l\s?(?:and|,)\s?n|"
        rf"lines?\s?(?:and|,)\s?neutrals?|lives|live conductors|lives? (?:and|&|\+) neutral)"
        rf"(?:\s?(?:-|/|\bto\b|→)\s?){_EARTH}(?![a-z0-9])")),
    ("L-N", re.compile(rf"(?<![a-z0-9]){_LINE}{_TO}{_NEUTRAL}(?![a-z0-9+])")),
    ("L-E", re.compile(rf"(?<![a-z0-9]){_LINE}{_TO}{_EARTH}(?![a-z0-9])")),
    ("N-E", re.compile(rf"(?<![a-z0-9]){_NEUTRAL}{_TO}{_EARTH}(?![a-z0-9])")),
    ("L-N", re.compile(rf"(?<![a-z0-9]){_NEUTRAL}\s?[-/]\s?{_LINE}(?![a-z0-9])")),
    ("L-E", re.compile(rf"(?<![a-z0-9]){_EARTH}\s?[-/]\s?{_LINE}(?![a-z0-9])")),
    ("N-E", re.compile(rf"(?<![a-z0-9]){_EARTH}\s?[-/]\s?{_NEUTRAL}(?![a-z0-9])")),
    ("LN-E", re.compile(r"(?<![a-z0-9])lnp?e(?![a-z0-9])")),
    ("L-N", re.compile(r"(?<![a-z0-9])[uvz]?\s?ln(?![a-z0-9])")),
    ("L-E", re.compile(r"(?<![a-z0-9])[uvz]?\s?lp?e(?![a-z0-9])")),
    ("N-E", re.compile(r"(?<![a-z0-9])[uv]?\s?np?e(?![a-z0-9])")),
)  # fmt: skip
_THREE_PHASE: Final = re.compile(r"(?<![a-z0-9])(?:l[123]?\s?[-/]\s?l[123]?|l[23]\s?[-/]\s?(?:n|pe|e))(?![a-z0-9])")
_SHORT_VOLTS: Final = re.compile(r"(?<![a-z0-9])[uv]\s?\(?(?:lnp?e|ln|lp?e|np?e|l-n|l-p?e|n-p?e)\)?(?![a-z0-9])")
_SHORT_LOOP: Final = re.compile(r"(?<![a-z0-9])z\s?\(?(?:l\s?[-/]?\s?n|l\s?[-/]?\s?p?e)\)?(?![a-z0-9])")
_TEST_VOLTAGE: Final = re.compile(
    r"(?:@|\bat\b|\bwith\b)?\s?\b(50|100|125|250|500|1000|1\s?k)\s?v(?:olts?)?\s?(?:d\.?c\.?)?(?![a-z0-9])"
)
_BARE_VOLTS: Final = re.compile(r"(?<![a-z0-9.])(250|500|1000)(?![a-z0-9.])")
_MULTIPLE: Final = re.compile(
    r"(?<![a-z0-9.])(?:[x×*]\s?(1/2|½|0[.,]5|1|2|5)|(1/2|½|0[.,]5|1|2|5)\s?[x×*]|(1/2|½|0[.,]5|1|2|5)(?=\s?i\s?[δ∆d]\s?n))"
    r"(?:\s?i\s?[δ∆d]\s?n)?(?![0-9])"
)
_HALF: Final = {"1/2": 0.5, "½": 0.5, "0.5": 0.5, "0,5": 0.5, "1": 1.0, "2": 2.0, "5": 5.0}
_BRACKETS: Final = re.compile(r"[\(\[{<]([^()\[\]{}<>]*)[\)\]}>]")
_TRAILING: Final = re.compile(
    r"(?:\s*[,;:/|\-]\s*|\s+in\s+|\s+)([^\s,;:/|\-]+(?:\s(?:a\.?c|d\.?c)\.?)?)$", re.IGNORECASE
)

_SLASHED: Final = re.compile(r"/\s?([^\s/()]+)(?=\s|$)")
_MEASURED: Final = ("V", "A", "Ohm", "s", "siemens")
_LEADING: Final = re.compile(r"V|[Vv]olts?|[kMmG]?Ω|[oO]hms?|[kMm][oO]hms?|ms|[aA]mps?")
_GLUED_VOLTS: Final = re.compile(r"V\s?\(?(?:LN|LP?E|NP?E|ln|lp?e|np?e|L-N|L-P?E|N-P?E)\)?")
"""In ``V L-N`` and ``VLN`` the letter is quantity and unit at once."""

_OTHER: Final[dict[str, re.Pattern[str]]] = {
    name: re.compile(rf"(?<![a-z0-9])(?:{words})(?![a-z0-9])")
    for name, words in {
        "a unit or a setting": r"units? (?:for|of|in|used)|setting|format|resolution",
        "a limit, not a reading": r"limits?|maximum permitted|max permitted|permitted|max(?:imum)? z\s?s|z\s?s max|"
        r"threshold|required|allowed|tolerance|set ?point|target|expected|nominal|rated|rating|sensitivity|"
        r"accuracy|uncertainty|spec|correction|corrected|adjusted|factor",
        "prospective fault current": r"pfc|psc|pscc|pefc|ipf|ipsc|isc|ik|ipfc|prospective|fault current|"
        r"short[- ]circuit",
        "touch voltage": r"touch volt\w*|(?<!non-)(?<!non )contact volt\w*|u\s?[ctf]|uf|fault voltage",
        "leakage current": r"leakage|leak|touch current|protective conductor current",
        "trip current": r"ramp|trip(?:ping)? current|i\s?[δ∆Δd]\s?n?(?: meas\w*)?|rcd current|i trip",
        "frequency": r"freq|frequency|hz",
        "temperature or humidity": r"temp|temperature|humidity|ambient",
        "phase angle or rotation": r"phase angle|angle|rotation|phase sequence|sequence",
        "earth electrode resistance": r"electrode|ra|re|r\s?a|earth rod",
        "battery or meter state": r"battery|batt|bat|firmware|signal|memory left",
        "lead resistance": r"lead res\w*|leads?|null|zero|offset|r\s?lead",
        "test current": r"test current|i test|itest",
        "power": r"power|watts?|kw|va|pf|cos phi|power factor|energy",
    }.items()
}
_WORDS: Final[dict[str, re.Pattern[str]]] = {
    name: re.compile(rf"(?<![a-z0-9])(?:{words})(?![a-z0-9])")
    for name, words in {
        "polarity": r"polarity|pol|wiring|wiring check|wiring state",
        "voltage_indicator_proof": r"prov(?:e|ed|ing|en)(?! dead)|proof|proving unit|known (?:live )?source|"
        r"(?:indicator|detector|tester|v\.?i\.?) (?:check|ok|works|function)|self[- ]?test",
        "non_contact_voltage": r"non[- ]?contact|noncontact|ncv|contactless|non[- ]contact voltage|metal ?work|"
        r"exposed metal\w*|ncvd|casing voltage|proximity",
        "rcd_trip_time": r"rcds?|rcbo|rccb|trip time|tripping time|trip|disconnection time|t\s?[δ∆Δ]|t\s?rcd|rcd time|"
        r"operating time",
        "insulation_resistance": r"insulation|insulat|insul|insln|insu|ins|ir|riso|"
        r"r\s?iso|r\s?ins|rins|iso|insulation res\w*",
        "loop": r"loop|z\s?s|z\s?e|z\s?db|zloop|z\s?loop|efli|eli|elfi|eflr|earth fault loop|fault loop|"
        r"loop (?:impedance|imp|res\w*)|line impedance|z\s?line|z\s?l(?:ine)?|earth loop|supply impedance|zln",
        "continuity_resistance": r"continuity|cont|conty|contin|cty|bond|bonding|ebond|r\s?low|rlow|low ohms?|"
        r"r\s?pe|rpe|r\s?1\s?\+\s?r\s?2|r1\s?r2|r\s?2|cpc|protective conductor|earth resistance|"
        r"earth cont\w*|r1\s?/\s?r2|"
        r"earthing resistance|case earth|earth path",
        "current": r"current|amps|amperes|load current|running current|i|i\s?load|load amps|line current",
        "voltage": r"voltage|volts?|potential|u|v|vac|supply volt\w*|mains volt\w*|dead test|dead|"
        r"prov(?:e|ed|ing|en) dead|"
        r"absence of voltage|supply|mains|volt|two[- ]pole|2[- ]pole|voltage (?:indicator|detector|tester)|vat|vdt",
    }.items()
}
_LINE_LOOP: Final = re.compile(r"(?<![a-z0-9])(?:line impedance|z\s?line|zln|z\s?l[-/ ]?n|z\s?l)(?![a-z0-9])")
_INSTEAD: Final = (
    # A word of the left that also stands in a longer name of the right.
    ("voltage", ("insulation_resistance", "rcd_trip_time", "loop", "polarity", "voltage_indicator_proof",
                 "non_contact_voltage", "continuity_resistance")),
    ("current", ("rcd_trip_time", "loop", "insulation_resistance", "continuity_resistance")),
    ("voltage_indicator_proof", ("non_contact_voltage",)),
)  # fmt: skip


@lru_cache(maxsize=CACHE)
def parse_meaning(text: str) -> Meaning:
    """What the heading or test name ``text`` means; a Meaning of nothing where it is not certain."""
    name = fold_heading(text)
    name, unit = take_unit(name)
    lower = name.lower()
    voltage, lower_rest = _take(_TEST_VOLTAGE, lower)
    multiple, lower_rest = _take(_MULTIPLE, lower_rest)
    lower_rest = " ".join(re.sub(r"[\"'°]", " ", lower_rest).split())
    meaning = Meaning(
        unit=unit,
        test_voltage_v=None if voltage is None else float(1000 if "k" in voltage else int(voltage)),
        rcd_multiple=None if multiple is None else _HALF[multiple],
    )
    return _recognise(lower_rest, meaning)


def _take(pattern: re.Pattern[str], text: str) -> tuple[str | None, str]:
    found = pattern.search(text)
    if found is None:
        return None, text
    caught = next(group for group in found.groups() if group)
    return caught, f"{text[: found.start()]} {text[found.end() :]}".strip(" @,;-")


def take_unit(name: str) -> tuple[str, Unit | None]:
    """``name`` without its unit, and the unit: in brackets, or at the end after a blank or a mark."""
    for found in reversed(list(_BRACKETS.finditer(name))):
        unit = parse_unit(found[1])
        if unit is not None and not _is_pair(found[1]):
            return f"{name[: found.start()]} {name[found.end() :]}".strip(), unit
    found_last = _TRAILING.search(name)
    if found_last and found_last.start() > 0:
        unit = parse_unit(found_last[1])
        before = name[: found_last.start()]
        is_test_voltage = unit is not None and unit.base == "V" and before.rstrip()[-1:].isdigit()
        if unit is not None and unit.base in _MEASURED and not is_test_voltage and found_last[1] not in ("K", "G", "M"):
            return before, unit
    for found in _SLASHED.finditer(name):
        unit = parse_unit(found[1])
        if unit is not None and unit.base in _MEASURED:
            return f"{name[: found.start()]} {name[found.end() :]}".strip(), unit
    first, blank, _ = name.partition(" ")
    if blank and _LEADING.fullmatch(first):
        return name, parse_unit(first)
    if _GLUED_VOLTS.fullmatch(name):
        return name, parse_unit("V")
    return name, None


def _is_pair(text: str) -> bool:
    return text.lower() in ("l", "n", "e", "p")


def _recognise(text: str, meaning: Meaning) -> Meaning:
    if _THREE_PHASE.search(text):
        return replace(meaning, other="a pair of a three-phase supply")
    pair = find_pair(text)
    words = {name for name, pattern in _WORDS.items() if pattern.search(text)}
    if _SHORT_VOLTS.search(text):
        words.add("voltage")
    if _SHORT_LOOP.search(text):
        words.add("loop")
    for weaker, stronger in _INSTEAD:
        if words & set(stronger):
            words.discard(weaker)
    other = next((name for name, pattern in _OTHER.items() if pattern.search(text)), None)
    if other:
        return replace(meaning, other=other)
    if not words and meaning.rcd_multiple is not None and meaning.unit and meaning.unit.base in ("s", "siemens"):
        words = {"rcd_trip_time"}
    if "loop" in words and len(words) == 2 and "continuity_resistance" in words and "earth" in text:
        words = (
            {"loop"}
            if re.search(r"loop|impedance|z\s?[se]", text) and not re.search(r"cont|bond|r\s?2", text)
            else words
        )
    if len(words) == 1:
        return _complete(words.pop(), pair, text, meaning)
    if not words and pair:
        return _bare_pair(pair, text, meaning)
    return meaning


def _bare_pair(pair: str, text: str, meaning: Meaning) -> Meaning:
    """Only a pair is named: with volts it is a voltage, else the unit of the row has to tell."""
    rest = text
    for _, pattern in _PAIRS:
        rest = pattern.sub(" ", rest)
    if rest.strip(" ()-/"):
        return meaning
    named = replace(meaning, conductors=pair)
    return with_unit(named, meaning.unit)


def with_unit(meaning: Meaning, unit: Unit | None) -> Meaning:
    """A bare pair becomes a voltage where its unit is volts; anything else stays as it is."""
    if meaning.quantity is None and meaning.other is None and meaning.conductors and unit and unit.base == "V":
        return (
            replace(meaning, quantity="voltage") if meaning.conductors in QUANTITIES["voltage"].conductors else meaning
        )
    return meaning


def find_pair(text: str) -> str | None:
    """The conductors named in lower-case ``text``, or None."""
    return next((pair for pair, pattern in _PAIRS if pattern.search(text)), None)


def _complete(word: str, pair: str | None, text: str, meaning: Meaning) -> Meaning:
    if word == "insulation_resistance" and meaning.test_voltage_v is None and (bare := _BARE_VOLTS.search(text)):
        meaning = replace(meaning, test_voltage_v=float(bare[1]))
    if word == "loop":
        if pair == "L-N" and re.search(r"earth|z\s?[se](?![a-z])|efli|eli", text):
            return meaning
        line = pair == "L-N" or (pair is None and _LINE_LOOP.search(text) is not None)
        if pair not in (None, "L-N", "L-E"):
            return meaning
        quantity = "line_neutral_loop_impedance" if line else "earth_fault_loop_impedance"
        return replace(meaning, quantity=quantity, conductors="L-N" if line else "L-E")
    if word == "continuity_resistance":
        return replace(meaning, quantity=word, conductors=_continuity(text))
    known = QUANTITIES[word]
    if word == "current" and re.fullmatch(r"i", text) and not meaning.unit:
        return meaning
    conductors = pair if pair in known.conductors else None
    voltage = meaning.test_voltage_v if word == "insulation_resistance" else None
    multiple = meaning.rcd_multiple if word == "rcd_trip_time" else None
    return replace(meaning, quantity=word, conductors=conductors, test_voltage_v=voltage, rcd_multiple=multiple)


def _continuity(text: str) -> str | None:
    """R1+R2 and R2 are told by name; a bond or earth continuity is earth pin to case; else it is not told."""
    if re.search(r"r\s?1\s?[+/&]?\s?r\s?2|r1\s?r2", text):
        return "R1R2"
    if re.search(r"(?<![a-z0-9])r\s?2(?![a-z0-9])", text):
        return "R2"
    return "E-case" if re.search(r"bond|earth|case|casing|chassis|e-case|metal", text) else None
