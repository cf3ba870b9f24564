"""What preamble lines, titles and footers of an export say about all its rows."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Final

from ingest.cells.clocks import LOCAL_WORDS, parse_clock, parse_zone, split_moment
from ingest.cells.dates import parse_date
from ingest.cells.text import CACHE, fold, fold_heading
from ingest.cells.units import Unit, parse_unit
from ingest.exports.headings import parse_order
from ingest.exports.measurements import Meaning, parse_meaning

_COMMENT: Final = re.compile(r"\s*(?:#(?!\s*\d*\s*$)|//|;|\*(?!\s*$)|%|<!--|REM\b|/\*|-- )")
_PAIR: Final = re.compile(r"\s*([^:=]{1,60}?)\s*(?::|=|\.{3,}|\t)\s*(.*?)\s*")
_BETWEEN: Final = re.compile(r"\s{3,}|;\s+|\s\|\s|,\s+(?=[A-Z][\w ./]*[:=])|\s+(?=[A-Z][A-Za-z./ ]{1,20}[:=]\s)")
_APART: Final = re.compile(r"\s{2,}(?=[A-Za-z][\w./#']*(?: [\w./#']+){0,4} ?[:=])")
"""Two blanks before the next key: the words before them are the value of the last."""
_SCALED: Final = re.compile(
    r"^\W*(?:scale|scaling|multiplier|multiply(?: all)?(?: values)? by|(?:scale |scaling )?factor)(?: factor)?\W*"
    r"[x×*]?\s?(?!1(?:[.,]0*)?\s*$)\d+(?:[.,]\d+)?\s*$|\b(?:thousandths|hundredths|tenths)\b|\s[x×*]\s?10{1,6}\W*$|"
    r"^\W*(?:all )?(?:[a-z]+ ){1,4}(?:values |readings |results )?(?:are )?in (?:m[Ωω]|m[oO]hms?|milli-?ohms?)\W*$|"
    r"^\W*units?\W+(?:m[Ω]|m[oO]hms?|milli-?ohms?)\W*$",
    re.IGNORECASE,
)
"""Lines above a table that scale its values, beside the units that stand in it."""
_WORD: Final = re.compile(r"[^a-z0-9#&/]+")
_SERIAL: Final = re.compile(
    r"(?:(?:test )?(?:meter|instrument|instr?|tester|device|unit|equipment)(?:'s)? )?"
    r"(?:serial|ser)(?: ?(?:no|nr|number|num|id|#))?|s/?n|"
    r"(?:test )?(?:meter|instrument|tester) (?:s/n|sn|no|number|id|#)|"
    r"serial # ?|(?:serial|ser)(?: (?:no|nr|number))? of (?:the |this )?(?:test )?(?:meter|instrument|tester)"
)
_ZONE: Final = re.compile(
    r"(?:time ?)?zone|tz|times?(?: are)?(?: in)?|all times(?: in| are)?|clock(?: set to)?|(?:utc|gmt|time) offset|"
    r"time base|"
    r"times? (?:reference|standard|given in|shown in|recorded in)|(?:meter )?clock zone"
)
_ZONE_SENTENCE: Final = re.compile(
    r"(?:all )?(?:dates and )?(?:times?|timestamps?|clock)(?: and dates)?(?: are| is| shown| given| recorded| stored)*"
    r"(?: in| as| to| set to)? (utc|gmt|bst|cet|cest|local(?: time)?|uk(?: local)?(?: time)?|"
    r"(?:utc|gmt)[+-]\d{1,2}(?::\d{2})?|"
    r"[a-z]+/[a-z_]+)(?: time)?\.?",
    re.IGNORECASE,
)
_DATE: Final = re.compile(
    r"(?:test|tests|tested|measurement|session|job|visit|record|reading)? ?(?:date|day|tested on)|dated?|"
    r"(?:date|day) (?:of|for) (?:the |all )?(?:tests?|testing|tests? below|visit|measurements?|readings?|inspection)|"
    r"date (?:tested|measured|inspected|taken)|inspection date|(?:measured|taken|inspected|recorded) on"
)
_CLOCK: Final = re.compile(r"(?:test )?time(?: of test)?")
_UNIT_OF: Final = re.compile(r"(?:units?|unit of measure)(?: used)? (?:for|of) (.+)|(.+?) (?:is |are )?(?:units?|in)")
_OTHER_DATE: Final = re.compile(
    r"(?:export|exported|download|downloaded|print|printed|report|created|generated|saved|file|calibrat|cal|due|next)"
)
_ORDER_KEY: Final = re.compile(
    r"(?:date|day|time|timestamp|date time) ?(?:format|order|style|pattern)|format of dates?"
)
_LABEL: Final = re.compile(
    r"(?:appliance|asset|label|test point|point|tag|circuit|item|equipment|location|room|position)"
    r"(?: (?:no|id|name|ref|label|tag))?"
)
_TEST: Final = re.compile(r"(?:test|function|measurement|test type|test name|mode|type of test|parameter|quantity)")
_UNITS: Final = re.compile(r"units?|all values in|values in|results? in|readings? in|values|unit of measure(?:ment)?")
_DECIMAL: Final = re.compile(r"decimal(?: ?(?:separator|mark|point|sign|symbol|character))?")


@dataclass(frozen=True)
class Context:
    """Facts said once for many rows. ``units`` is by quantity, with ``""`` for all; ``dates`` are other dates of the
    file, used only as evidence for the order of day and month. ``here`` is what was said since the last row of data,
    by kind, with its weight; ``scaled`` is a line that says how values are multiplied; ``unsure`` are kinds that were
    said in two ways or in none that can be read.
    """

    meter_serial: str | None = None
    zone: str | None = None
    zone_unknown: str | None = None
    order: str | None = None
    date_text: str | None = None
    clock_text: str | None = None
    label: str | None = None
    decimal: str | None = None
    test: Meaning | None = None
    test_text: str | None = None
    units: tuple[tuple[str, Unit], ...] = ()
    dates: tuple[str, ...] = field(default=())
    here: tuple[tuple[str, int, str], ...] = field(default=(), compare=False)
    unsure: frozenset[str] = frozenset()
    scaled: str = ""

    def after_rows(self) -> Context:
        """The same for lines below rows of data: what they say replaces what was said before."""
        return replace(self, here=()) if self.here else self

    def unit_for(self, quantity: str) -> Unit | None:
        """The unit that the preamble gives for ``quantity``, if any."""
        found = dict(self.units)
        return found.get(quantity, found.get(""))


def read_context(rows: Sequence[Sequence[str]], start: Context) -> Context:
    """``start`` with what the lines say; a line that says nothing known changes nothing."""
    context = start
    for row in rows:
        cells = [fold(cell) for cell in row if fold(cell)]
        if not cells:
            continue
        listed = len(cells) > 2 and context_key(cells[0]) == "units"
        pairs = [(cells[0], ", ".join(cells[1:]))] if listed else _pairs(cells)
        for key, value in pairs:
            context = _apply(context, key, value)
        if not pairs and len(cells) == 1:
            context = _title(context, cells[0])
        context = _sentences(context, " ".join(cells))
        if len(cells) <= 2 and _SCALED.search(" ".join(cells)):
            context = replace(context, scaled=" ".join(cells))
    return context


def rejoin(row: Sequence[str], delimiter: str) -> Sequence[str]:
    """The cells of a line that tells ``key: value`` where the value holds the mark that separates cells and a blank."""
    first = next((at for at, cell in enumerate(row) if cell.strip()), None)
    if first is None or not delimiter.strip() or _PAIR.fullmatch(row[first]) is None:
        return row
    behind = [cell for cell in row[first + 1 :] if cell.strip()]
    if not behind or any(cell[0] != " " or ":" in cell or "=" in cell for cell in behind):
        return row
    return [delimiter.join((row[first], *behind))]


def _pairs(cells: Sequence[str]) -> list[tuple[str, str]]:
    """Key and value of a preamble line: in one cell with a colon, or in cells beside each other."""
    pairs: list[tuple[str, str]] = []
    waiting: str | None = None
    for cell in cells:
        bare = cell.lstrip("#/;*%'! ").strip()
        told = _told(bare)
        if waiting is not None:
            pairs.append((waiting, bare))
            waiting = None
        elif told:
            pairs += told
        else:
            waiting = bare.rstrip(":= ")
            if waiting != bare and context_key(waiting):
                pairs.append((waiting, ""))
    return pairs


def _told(text: str) -> list[tuple[str, str]]:
    """The keys and values that one cell holds: several where each has its colon, else one, else none."""
    apart = _APART.split(text)
    between = [part for one in apart for part in _BETWEEN.split(one) if part]
    for parts in (between, apart, [part for part in _BETWEEN.split(text) if part], [text]):
        found = [_PAIR.fullmatch(part) for part in parts]
        if parts and all(one and one[2] for one in found):
            return [(one[1], one[2]) for one in found if one]
    return []


def only_tells(filled: Sequence[str]) -> bool:
    """True for a line between rows that only says something about the rows that follow: keys that are known."""
    pairs = _pairs([fold(cell) for cell in filled])
    told = any(mark in filled[0] for mark in ":=") or len(filled) > 1
    return bool(pairs) and told and all(_tells(key, value) for key, value in pairs) and len(filled) <= 2 * len(pairs)


def _tells(key: str, value: str) -> bool:
    """True where the key is known and the value can be one of it; the name of a test is never such a key."""
    kind = context_key(key)
    if kind in ("", "other date") or (kind != "units" and parse_meaning(key).is_reading):
        return False
    if not value:
        return kind != "unit of"
    return {
        "unit of": parse_unit(value) is not None,
    }.get(kind, True)


def tells_something(filled: Sequence[str]) -> bool:
    """True for a line with at least one key that is known."""
    return any(context_key(key) for key, _ in _pairs([fold(cell) for cell in filled]))


@lru_cache(maxsize=CACHE)
def context_key(text: str) -> str:
    """The kind of fact that a preamble key names, or nothing."""
    key = " ".join(_WORD.sub(" ", fold_heading(text).lower()).split())
    for kind, pattern in (
        ("serial", _SERIAL), ("order", _ORDER_KEY), ("decimal", _DECIMAL), ("zone", _ZONE), ("date", _DATE),
        ("test", _TEST), ("units", _UNITS), ("label", _LABEL), ("clock", _CLOCK), ("unit of", _UNIT_OF),
    ):  # fmt: skip
        if pattern.fullmatch(key):
            return kind
    return "other date" if _OTHER_DATE.match(key) else ""


def _apply(context: Context, key: str, value: str) -> Context:
    kind = context_key(key)
    if not value:
        return _reset(context, kind)
    if kind == "serial":
        return _say(context, kind, value, weight=1 + ("ser" in key.lower() or "s/n" in key.lower()))
    if kind == "zone":
        return _zone(context, value)
    if kind == "order":
        return replace(context, order=parse_order(value) or context.order)
    if kind == "decimal":
        mark = {"comma": ",", ",": ",", "point": ".", ".": ".", "dot": ".", "period": "."}.get(
            value.lower().strip("'\"")
        )
        return replace(context, decimal=mark)
    if kind == "test":
        meaning = parse_meaning(value)
        return replace(context, test=meaning if meaning.is_reading else None, test_text=value)
    if kind == "label":
        return replace(context, label=value)
    if kind == "clock" and not split_moment(value) and not parse_date(value).seen:
        return replace(context, clock_text=value if parse_clock(value).nanoseconds is not None else None)
    if kind == "units":
        return _units(context, value)
    if kind == "unit of" and (unit := parse_unit(value)) is not None:
        return replace(context, units=(*context.units, *((name, unit) for name in _named_quantities(key))))
    return _dates_and_units(context, kind, key, value)


def _reset(context: Context, kind: str) -> Context:
    """A key with nothing behind it takes back what was said before."""
    return {
        "serial": replace(context, meter_serial=None),
        "zone": replace(context, zone=None),
        "date": replace(context, date_text=None),
        "label": replace(context, label=None),
        "test": replace(context, test=None, test_text=None),
    }.get(kind, context)


def _say(context: Context, kind: str, value: str, *, weight: int = 1) -> Context:
    """The context with a fact; without it where lines beside each other say it in two ways, or nobody can read it."""
    before = {name: (heavy, text) for name, heavy, text in context.here}
    heavy, text = before.get(kind, (0, value))
    if heavy > weight:
        return context
    unknown = not value or value.lower() in UNKNOWN or (kind == "serial" and _SEVERAL.search(value) is not None)
    clash = heavy == weight and text.lower() != value.lower()
    kept = None if unknown or clash else value
    here = (*(one for one in context.here if one[0] != kind), (kind, weight, "" if clash else value))
    unsure = context.unsure | {kind} if kept is None else context.unsure - {kind}
    context = replace(context, here=here, unsure=unsure)
    if kind == "serial":
        return replace(context, meter_serial=kept)
    if kind == "date":
        return replace(context, date_text=kept)
    return replace(context, zone=kept, zone_unknown=f"{text} or {value}" if clash else None)


_SEVERAL: Final = re.compile(r"\s(?:/|&|\+|and|or)\s|[,;]")
"""Two serial numbers in one place: whose readings follow is not told."""
UNKNOWN: Final = ("unknown", "not known", "none", "n/a", "na", "-", "--", "?", "tbc")


def _title(context: Context, line: str) -> Context:
    """A title of its own names the test of the tables below it, or takes back the name before."""
    bare = line.strip("#/;*%'![]=-~<> ")
    if not bare or is_furniture(line):
        return context
    meaning = parse_meaning(
        re.sub(r"\b(?:tests?|results?|readings?|measurements?|table|section)\b", " ", bare, flags=re.I)
    )
    return replace(context, test=meaning if meaning.is_reading else None, test_text=bare)


def _dates_and_units(context: Context, kind: str, key: str, value: str) -> Context:
    day = (split_moment(value) or (value, ""))[0]
    if parse_date(day).seen:
        context = replace(context, dates=(*context.dates, day))
        if kind == "" and context.date_text is not None and "date" not in [name for name, _, _ in context.here]:
            # A date of another section is in force, and this line may be the damaged date of its own.
            return replace(context, date_text=None, unsure=context.unsure | {"date"})
        return _say(context, kind, day) if kind == "date" else context
    if kind == "date" and (any(mark.isdigit() for mark in value) or "date" in key.lower()):
        return _say(context, kind, "")
    meaning, unit = parse_meaning(key), parse_unit(value)
    if unit and meaning.is_reading and meaning.quantity:
        return replace(context, units=(*context.units, (meaning.quantity, unit)))
    return context


def _zone(context: Context, value: str) -> Context:
    if parse_clock(value).nanoseconds is not None and not parse_date(value).seen:
        return replace(context, clock_text=value)
    if (
        value.lower() in LOCAL_WORDS
        or parse_date(value).seen
        or split_moment(value)
        or re.fullmatch(r"[\d:. ]+", value)
    ):
        return context
    zone = parse_zone(value) or (parse_zone(value.split("(")[0]) if value.endswith(")") else None)
    return _say(context, "zone", zone) if zone else replace(context, zone=None, zone_unknown=value)


def _units(context: Context, value: str) -> Context:
    """``Ohm``, or a list such as ``loop Ohm, insulation MOhm, RCD ms``."""
    whole = parse_unit(value)
    if whole:
        return replace(context, units=(*context.units, ("", whole)))
    found = list(context.units)
    for part in re.split(r"[,;]|\s/\s", value):
        meaning = parse_meaning(part.replace("=", " ").replace(":", " "))
        if meaning.quantity and meaning.unit:
            found += [(name, meaning.unit) for name in _same_kind(meaning.quantity)]
    return replace(context, units=tuple(found))


def _named_quantities(key: str) -> Sequence[str]:
    """The quantities that the key of a unit names: one by its usual names, or all of a kind."""
    found = _UNIT_OF.fullmatch(" ".join(_WORD.sub(" ", fold_heading(key).lower()).split()))
    what = (found[1] or found[2] or "") if found else ""
    for words, names in _KINDS:
        if what in words:
            return names
    meaning = parse_meaning(what.replace("r2", "R2"))
    return (meaning.quantity,) if meaning.quantity else ()


def _same_kind(quantity: str) -> Sequence[str]:
    """The quantities that one name stands for in a list of units: both loops are called loop."""
    return next((names for words, names in _KINDS if "loop" in words and quantity in names), (quantity,))


_KINDS: Final = (
    (("resistance", "resistances", "impedance", "impedances", "low resistance"),
     ("earth_fault_loop_impedance", "line_neutral_loop_impedance", "continuity_resistance")),
    (("time", "times"), ("rcd_trip_time",)),
    (("voltage", "voltages"), ("voltage",)),
    (("current", "currents"), ("current",)),
    (("loop", "loops"), ("earth_fault_loop_impedance", "line_neutral_loop_impedance")),
)  # fmt: skip


def _sentences(context: Context, line: str) -> Context:
    bare = line.lstrip("#/;*%'! ").strip()
    found = _ZONE_SENTENCE.fullmatch(bare)
    return _zone(context, found[1]) if found else context


_FURNITURE: Final = re.compile(
    r"(?:\W*(?:end|eof|fin)\b(?: of (?:file|data|report|export|records?|list|log|table))?\W*|page \d+(?: of \d+)?.*|"
    r"(?:printed|exported|generated|created|downloaded|saved|produced|report) (?:on|by|at|from|with|:).*|"
    r"(?:no|number|total number|count)\.? of (?:records?|readings?|tests?|rows?|results?).*|"
    r"(?:total (?:records?|readings?|rows?|results?|tests?)|"
    r"(?:records|readings|rows|results|tests)(?: (?:exported|in file|stored|total))?)\s*[:=]\s*\d+\s*|"
    r"(?:total|grand total|sub-?total)"
    r"(?: (?:records?|readings?|tests?|rows?|results?|number|count|passed|failed))*\W*\d*\W*|"
    r"\d+ (?:records?|readings?|rows?|tests?|results?)(?: .*)?|continued.*|.*\bcontinued(?: on next page)?|"
    r"check ?sum.*|crc.*|signature.*|signed.*|\*{2,}.*|={2,}.*|-{3,}.*|_{3,}.*|\.{3,}.*|~{2,}.*|<.*>)",
    re.IGNORECASE,
)
_STATISTIC: Final = re.compile(
    r"(?:average|averages|avg\.?|mean|median|sum|sums|totals?|sub-?totals?|std\.?(?: ?dev\.?)?|standard deviation|"
    r"worst(?: ?case)?|best(?: ?case)?|lowest|highest|min(?:imum)?\.?|max(?:imum)?\.?|min/max|count|summary|"
    r"limits?|permitted|statistics|stdev)"
    r"(?:\W*$|\W+(?:of|for|value|values|reading|readings|result|results|case|permitted|allowed|zs|ze|loop|r2|r1|ir|ins\w*|"
    r"rcd|cont\w*|volt\w*|all|the|above|records?|tests?|rows?|passed|failed|\(.*|n)\b.*)",
    re.IGNORECASE,
)


_SUMMARY: Final = re.compile(
    r"\b(?:averages?|avg|mean|median|totals?|sub-?totals?|sums?|worst|best|lowest|highest|min(?:imum)?|max(?:imum)?|"
    r"count|summary|limits?|permitted|statistics|std|stdev|deviation|overall)\b",
    re.IGNORECASE,
)


@lru_cache(maxsize=CACHE)
def is_summary(text: str) -> bool:
    """True for a text with the word of an average, a total, a worst case anywhere in it."""
    return _SUMMARY.search(fold(text)) is not None


_NO_RESULTS: Final = frozenset(
    ("limit", "limits", "uncertainty", "uncertainties", "accuracy", "acceptance", "criteria", "average", "averages",
     "mean", "means", "typical", "maximum", "max", "minimum", "min", "worst", "best", "highest", "lowest", "statistics",
     "specification", "specifications", "permitted", "allowed", "expected", "nominal", "tolerance", "tolerances",
     "previous", "guidance", "target", "targets", "levels", "example", "examples", "calibration", "requirements",
     "reference", "overall", "total", "totals", "recommended", "threshold", "thresholds", "design", "calculated",
     "predicted", "setpoints", "alarm", "stats")
)  # fmt: skip
_OF_TITLES: Final = frozenset(
    ("values", "value", "results", "result", "readings", "reading", "test", "tests", "of", "the", "for", "all", "case",
     "visit", "instrument", "meter", "tester", "pass", "and", "in", "this", "table", "data", "figures", "measured",
     "measurements", "standard", "model", "answer", "answers", "range", "fail", "used", "appliance", "appliances",
     "monthly", "weekly", "certificate", "supply", "points", "measurement", "applied", "on", "at",
     "from", "last", "year", "day", "job", "report", "summary", "to", "by", "per")
)  # fmt: skip


@lru_cache(maxsize=CACHE)
def heads_no_results(title: str) -> bool:
    """True for a title that says of the table below it that it holds limits, averages or the like."""
    words = [word for word in re.findall(r"\w+", fold(title).lower()) if word.isalpha()]
    known = all(word in _NO_RESULTS or word in _OF_TITLES for word in words)
    return known and any(word in _NO_RESULTS for word in words)


@lru_cache(maxsize=CACHE)
def is_comment(text: str) -> bool:
    """True where a line that begins so is a comment."""
    return _COMMENT.match(text) is not None


@lru_cache(maxsize=CACHE)
def is_furniture(text: str) -> bool:
    """True for page furniture: footers, rules, counts of records."""
    return _FURNITURE.fullmatch(fold(text)) is not None


@lru_cache(maxsize=CACHE)
def is_statistic(text: str) -> bool:
    """True for the first words of an average, a total, a worst case."""
    return _STATISTIC.match(fold(text)) is not None
