"""Words that stand where a number could: not measured, over range, indications, verdicts."""

from __future__ import annotations

import re
from typing import Final

from ingest.cells.verdict_words import FLAG_NOT_SET, RECORD_VOID

NOT_MEASURED: Final = frozenset(
    (
        "n/a", "na", "n.a.", "n.a", "n / a", "n/m", "nm", "n/t", "nt", "n.t.", "n.t", "n / t", "n/r", "nr", "null",
        "nan", "none", "not tested", "not measured", "not done", "not taken", "not applicable", "not available",
        "not recorded", "not carried out", "not read", "no reading", "no result", "no data", "no test", "untested",
        "unmeasured", "skipped", "skip", "omitted", "blank", "empty", "tbc", "tbd", "//", "...", "--.--", "--.-",
        "-.--", "-.-", "---.-",
    )
)  # fmt: skip

OVER_RANGE: Final = frozenset(
    (
        "ol", "o.l", "o.l.", "0l", "0.l", ".ol", "o l", "o/l", "oor", "o.r", "o.r.", "o/r", "or", "ofl", "over",
        "overload", "over load", "over range", "over-range", "overrange", "out of range", "ovr", "ovld", "ovfl",
        "overflow", "∞", "+∞", "inf", "+inf", "infinity", "infinite", "open", "open circuit", "o/c", "oc",
        ">range", "> range", ">max", "> max", ">ol", "> ol", "+ol", "+ol.", "-ol-",
    )
)  # fmt: skip

NO_TRIP: Final = frozenset(
    ("no trip", "no-trip", "notrip", "did not trip", "not tripped", "dnt", "failed to trip", "fail to trip")
)

PRESENT: Final = frozenset(
    (
        "present", "voltage present", "yes", "y", "live", "detected", "voltage detected", "voltage", "on", "indicated",
        "indication", "positive", "true", "energised", "energized", "hot", "lit", "voltage indicated",
    )
)  # fmt: skip
ABSENT: Final = frozenset(
    (
        "absent", "voltage absent", "no", "n", "none", "nil", "dead", "not detected", "no voltage",
        "no voltage detected", "not present", "off", "negative", "false", "clear", "no indication",
        "none detected", "not live", "not indicated", "nothing", "nothing detected", "not energised", "de-energised",
    )
)  # fmt: skip
PROVED: Final = PRESENT | frozenset(
    ("proved", "proven", "ok", "pass", "passed", "working", "works", "good", "proved ok", "proven ok", "ok proved",
     "functioning", "confirmed", "proves", "✓", "✔", "tick", "proved live", "proven live")
)  # fmt: skip
NOT_PROVED: Final = frozenset(
    ("absent", "no", "n", "fail", "failed", "not proved", "not proven", "no indication", "dead", "not working",
     "faulty", "false", "not indicated", "not detected", "not present", "none", "unproved", "unproven", "off", "nil",
     "no voltage", "✗", "✘", "not ok")
)  # fmt: skip
POLARITY_WORDS: Final[dict[str, frozenset[str]]] = {
    "correct": frozenset(
        ("correct", "ok", "okay", "pass", "passed", "good", "normal", "right", "✓", "✔", "tick", "polarity correct",
         "polarity ok", "correct polarity", "all correct", "wiring ok", "wiring correct")
    ),
    "reversed": frozenset(
        ("reversed", "reverse", "rev", "swapped", "l-n reversed", "l/n reversed", "ln reversed", "crossed",
         "line neutral reversed", "line-neutral reversed", "live neutral reversed", "live-neutral reversed",
         "l-n swapped", "l/n swapped", "reversed polarity", "reverse polarity", "polarity reversed", "l n reversed",
         "l-n rev", "l/n rev", "l and n reversed", "inverted", "transposed")
    ),
    "no earth": frozenset(
        ("no earth", "missing earth", "earth missing", "earth open", "open earth", "no pe", "pe missing", "pe open",
         "no e", "earth fault", "no cpc", "no ground", "no-earth", "earth absent")
    ),
    "no neutral": frozenset(
        ("no neutral", "missing neutral", "neutral missing", "neutral open", "open neutral", "no n", "n missing",
         "n open", "no-neutral", "neutral absent")
    ),
    "fault": frozenset(
        ("fault", "faulty", "fail", "failed", "bad", "incorrect", "wrong", "not ok", "wiring fault", "✗", "✘",
         "l-e reversed", "l/e reversed", "line earth reversed", "line-earth reversed", "live earth reversed",
         "polarity fault", "not correct")
    ),
}  # fmt: skip

VERDICT: Final = re.compile(r"[\s,;/|]*(?:\(?(?:pass(?:ed)?|ok|fail(?:ed)?|p|f)\)?|[✓✔✗✘])", re.IGNORECASE)
"""A verdict after a number: it adds nothing to the value and takes nothing from it."""

ERRORS: Final = re.compile(r"#(?:N/A|VALUE!|REF!|DIV/0!|NUM!|NAME\?|NULL!|SPILL!|CALC!|#+)|err(?:or)?\W*\d*|###+", re.I)


def simplify(text: str) -> str:
    """Lower case, single blanks, no closing punctuation: the form in which words are looked up."""
    return " ".join(text.lower().split()).strip(" \"'!;:")


def is_not_measured(text: str) -> bool:
    """True where the cell says that nothing was measured."""
    word = simplify(text)
    return word in NOT_MEASURED or (len(word) > 1 and set(word) <= set("-–— _"))


def is_over_range(text: str) -> bool:
    """True where the cell says that the meter had no number because its range ended."""
    word = simplify(text)
    return word in OVER_RANGE or word.replace(" ", "") in OVER_RANGE


_POLARITY_ONLY: Final = re.compile(
    r"correct|revers|swapped|crossed|transposed|no (?:earth|neutral)|missing (?:earth|neutral)"
)


def says_polarity(text: str) -> bool:
    """True for a word that can only be a state of wiring, not a verdict or a presence."""
    word = simplify(text)
    return _POLARITY_ONLY.search(word) is not None and find_indication("polarity", word) is not None


def is_flagged(text: str) -> bool:
    """True where the cell of a flag says anything but no."""
    word = simplify(text)
    return word not in FLAG_NOT_SET and not is_not_measured(word)


_SHOWN: Final = frozenset(
    ("lim", "limit", "err", "error", "hi", "lo", "high", "low", "hot", "noise", "noisy", "fuse", "batt", "battery",
     "low batt", "low battery", "hold", "abort", "aborted", "interrupted", "unstable", "invalid", "bad", "wait", "busy",
     "range", "max", "min", "overheat", "overheated", "too hot", "temp", "cal", "set", "range error", "test error",
     "ditto", "do", "same", "as above", "as before", "see note", "see notes", "repeat", "retest",
     "to follow", "follows", "pending", "awaiting", "awaited", "later", "tba")
)  # fmt: skip


def is_known_word(text: str) -> bool:
    """True for words that meters show in place of a number, read or not."""
    word = simplify(text)
    return (
        word in _SHOWN
        or word in NO_TRIP
        or word in RECORD_VOID
        or ERRORS.fullmatch(word) is not None
        or is_flag_word(word)
    )


def is_flag_word(word: str) -> bool:
    """True for one word that says something of a measurement: a doubt, an end of the range."""
    return " " not in word and _CHANGES_A_NUMBER.search(word) is not None


SHORT_REMARK: Final = 6
_NO_RESULT: Final = re.compile(
    r"\b(?:void|invalid|abort\w*|cancel+ed|deleted|erased|discard\w*|did not (?:run|complete|finish)|not complete\w*|"
    r"failed to (?:run|complete|start|finish)|over ?range|out of range|off scale|(?:above|beyond|exceeds) (?:the )?"
    r"range|wrong (?:reading|leads?|terminals?|test|range)|error)\b"
)
_CHANGES_A_NUMBER: Final = re.compile(
    r"[<>≥≤]|\b(?:range|over|above|exceed\w*|below|beyond|under|saturat\w*|clipp\w*|nois\w*|unstable|unsteady|suspect|"
    r"doubtful|no trip|not trip\w*|x ?10+|k ?ohms?|m ?ohms?|kilo|mega|milli|estimat\w*|calculat\w*|manual|typed|"
    r"simulat\w*|demo|training|example|interrupt\w*|time ?out|timed out)\b"
)


_TEST_WORD: Final = r"(?:tests?|readings?|results?|measurements?|records?|values?|meter|instrument)"
_GONE: Final = r"(?:invalid|void(?:ed)?|cancel+ed|deleted|erased|discard\w*|error|bad|wrong|rejected|corrupt\w*)"
_REMARKED: Final = re.compile(
    rf"{_GONE} {_TEST_WORD}|{_TEST_WORD} (?:(?:was|is|were|in) )?{_GONE}|\babort\w*\b|"
    r"\bdid not (?:run|complete|finish)|\bnot complete\w*|\bfailed to (?:run|complete|start|finish)|"
    r"\bover ?range|\b(?:out of|off) (?:range|scale)(?! of)|\b(?:above|beyond|exceeds) (?:the )?range(?! of)|"
    r"\bwrong (?:leads?|terminals?|range)|^err(?:or)?\W*\d*$"
)


def takes_away(text: str) -> bool:
    """True for a remark that is nothing but a comparator, or that says briefly that there was no sound result.

    Remarks are free text: a void flat or an error of the boiler says nothing of the number.
    """
    word = simplify(text)
    if not word or len(word.split()) > SHORT_REMARK:
        return False
    if (
        word in RECORD_VOID
        or says_beyond(word)
        or word.strip("<>=≥≤≧≦⩾⩽ ") == ""
        or is_over_range(text)
        or is_flag_word(word)
    ):
        return True
    return _REMARKED.search(word) is not None


def casts_doubt(text: str) -> bool:
    """True for a status that may change what the number beside it means."""
    word = simplify(text)
    return says_beyond(word) or _NO_RESULT.search(word) is not None or _CHANGES_A_NUMBER.search(word) is not None


_MORE: Final = frozenset(
    (">", "<", ">=", "<=", "≥", "≤", "+", "»", "«", "↑", "↓", "*", "gt", "lt", "more than", "greater than", "less than",
     "greater", "less", "more", "over", "under", "above", "below", "exceeds", "exceeded", "hi", "sat", "saturated",
     "clipped", "lim", "out of range", "range end", "end of range")
)  # fmt: skip
_NO_RECORD: Final = frozenset(
    ("average", "averaged", "averages", "avg", "ave", "mean", "median", "max", "min", "maximum", "minimum", "worst",
     "worst case", "best", "total", "sum", "limit", "limits", "nominal", "design", "target", "expected", "calculated",
     "computed", "estimated", "predicted", "simulated", "setpoint", "set point", "spec", "specification", "statistic",
     "summary", "typical", "reference", "previous", "example", "demo", "training", "dummy")
)  # fmt: skip


def says_beyond(text: str) -> bool:
    """True for a cell, beside a value and under any heading, that makes it a bound, or no reading of its own: a sign,
    the end of a range, an average, a limit.

    Two letters alone may be the initials of a person.
    """
    word = simplify(text).rstrip(".")
    if word in _MORE or word in _NO_RECORD or word in ("ol", "ovr") or _TIMES_TEN.fullmatch(word):
        return True
    return is_over_range(word) and not (word.isalpha() and len(word) < 3)


def multiplies(text: str) -> bool:
    """True for a cell that multiplies the values beside it by anything but one."""
    return simplify(text) not in ("", "1", "x1", "×1", "1x", "x 1", "1.0", "0", "10^0", "1e0", "-")


_TIMES_TEN: Final = re.compile(r"[x×*]\s?10+|10\^[+-]?[1-9]|[x×*]\s?10\^[+-]?[1-9]")


def is_doubtful_status(text: str) -> bool:
    """True for the status of a row of several values that takes them away."""
    word = simplify(text)
    return takes_away(text) or (len(word.split()) <= SHORT_REMARK and _NO_RESULT.search(word) is not None)


def find_indication(quantity: str, text: str) -> str | None:
    """The indication that the word means for ``quantity``, or None where it is not certain."""
    word = simplify(text).rstrip(".")
    if quantity == "polarity":
        return next((meaning for meaning, words in POLARITY_WORDS.items() if word in words), None)
    yes, no = (PROVED, NOT_PROVED) if quantity == "voltage_indicator_proof" else (PRESENT, ABSENT)
    if word in yes:
        return "present"
    return "absent" if word in no else None
