"""The transcript of a conversation with a meter: every byte, with direction and time, as it passed.

Format 1. UTF-8 (only ASCII is written), one JSON object a line, LF; the number of a frame is the number of its
line.

::

{"transcript":1,"n":1,"t":0,"utc":"2031-04-02T09:00:00.000000Z","link":"serial:/dev/ttyUSB0","profile":"plain-lines",
"tool":"0.1.0","profile_toml":"..."}                                      (one line in the file)
{"n":2,"t":0.001204,"out":"ID\\r\\n"}                       sent to the meter, as text
{"n":3,"t":0.014310,"in":"ID;PL-1;004711*5A\\r\\n"}          received, as text
{"n":4,"t":0.020000,"out_hex":"0104"}                      the same for bytes that are not text
{"n":5,"t":0.020100,"op":"notify","ch":"2a52","in_hex":"06000101"}     Bluetooth: operation and characteristic
{"n":6,"t":0.900000,"note":"link lost; opened again"}       a remark of this program
{"n":7,"t":60.00000,"utc":"2031-04-02T09:01:00.000012Z"}    an anchor: what the computer's clock said at t

``t`` counts seconds on a clock that never jumps; ``utc`` anchors tie it to the computer's clock. Bytes are written
as text where all of them are printable ASCII, CR, LF or TAB, else as hex: one way for each content, so that the
same bytes always give the same line. A file that ends in the middle of a line is a valid transcript of what came
before.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from ingest.evidence import format_moment
from ingest.protocols.frames import BYTES, OPERATIONS, Direction, Frame
from schemas.errors import BookError, InputError
from schemas.version import TOOL_VERSION

FORMAT: Final = 1
DIRECTIONS: Final[tuple[Direction, ...]] = ("out", "in")
ANCHOR_EVERY_S: Final = 60.0
FLUSH_TO_DISK_EVERY_S: Final = 1.0
TEXT_BYTES: Final = bytes([*range(0x20, 0x7F), 0x09, 0x0A, 0x0D])


class TranscriptWriter:
    """Appends to a transcript file, each frame flushed, so that a crash loses nothing that was received."""

    def __init__(
        self, path: Path, *, link: str, profile: str, profile_toml: str,
        monotonic: Callable[[], float] = time.monotonic, utc: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:  # fmt: skip
        self.path = path
        self._monotonic = monotonic
        self._utc = utc
        self._lines = 0
        self._start = self._anchor = self._to_disk = monotonic()
        self.bytes = 0
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._stream = path.open("xb", buffering=0)
        except OSError as error:
            raise BookError(
                "the transcript cannot be written", where=str(path), seen=str(error.strerror or error),
                advice="give the book a folder you may write to: --book DIR",
            ) from error  # fmt: skip
        self._line(
            {"transcript": FORMAT}, 0.0,
            {
                "utc": format_moment(utc()), "link": link, "profile": profile, "tool": TOOL_VERSION,
                "profile_toml": profile_toml,
            },
        )  # fmt: skip

    def now_s(self) -> float:
        """Seconds since the transcript began."""
        return self._monotonic() - self._start

    def frame(
        self, direction: Direction, data: bytes, operation: str = BYTES, channel: str = "", at_s: float | None = None
    ) -> Frame:
        """Write one frame and give it back."""
        at_s = round(self.now_s() if at_s is None else at_s, 6)
        body: dict[str, Any] = {} if operation == BYTES else {"op": operation, "ch": channel}
        if data.translate(None, TEXT_BYTES):
            body[f"{direction}_hex"] = data.hex()
        else:
            body[direction] = data.decode("ascii")
        number = self._line({}, at_s, body)
        now = self._monotonic()
        if now - self._anchor > ANCHOR_EVERY_S:
            self.anchor()
        if now - self._to_disk > FLUSH_TO_DISK_EVERY_S:
            self._to_disk = now
            os.fsync(self._stream.fileno())
        return Frame(number, at_s, direction, data, operation, channel)

    def note(self, text: str) -> None:
        """Write a remark of ours."""
        self._line({}, self.now_s(), {"note": text})

    def anchor(self) -> None:
        """Write what the computer's clock says now."""
        self._anchor = self._monotonic()
        self._line({}, self._anchor - self._start, {"utc": format_moment(self._utc())})

    def close(self) -> None:
        """Write a last anchor and close the file."""
        if self._stream.closed:
            return
        try:
            self.anchor()
            os.fsync(self._stream.fileno())
        finally:
            self._stream.close()

    def _line(self, first: dict[str, Any], at_s: float, body: dict[str, Any]) -> int:
        self._lines += 1
        line = json.dumps(
            first | {"n": self._lines, "t": round(at_s, 6)} | body, ensure_ascii=True, separators=(",", ":")
        ).encode() + b"\n"  # fmt: skip
        try:
            self._stream.write(line)
        except OSError as error:
            raise BookError(
                "the transcript cannot be written", where=str(self.path), seen=str(error.strerror or error),
                advice="make room on the disk; what was written so far is kept",
            ) from error  # fmt: skip
        self.bytes += len(line)
        return self._lines


@dataclass(frozen=True, kw_only=True)
class Unreadable:
    """A line of a transcript that says nothing: its number and why."""

    number: int
    text: str
    why: str


@dataclass(kw_only=True)
class TranscriptHead:
    """The first line, and the anchors met so far (grows while the frames are read)."""

    opened_at: datetime
    link: str
    profile: str
    profile_toml: str
    anchors: list[tuple[float, datetime]] = field(default_factory=list)

    def utc_at(self, at_s: float) -> datetime:
        """What the computer's clock said at ``at_s``: by the last anchor before it."""
        known = [anchor for anchor in self.anchors if anchor[0] <= at_s] or self.anchors[:1]
        since_s, moment = known[-1]
        return moment + timedelta(seconds=at_s - since_s)


def parse_head(line: bytes) -> TranscriptHead:
    """The head of a transcript, by its first line. Raises InputError where it is none of a format we know."""
    try:
        head = json.loads(line)
        if head["transcript"] != FORMAT:
            raise InputError(
                f"transcript format {head['transcript']!r} is not known; this program reads format {FORMAT}",
                advice="use a newer version of the program",
            )
        opened_at = _moment(head["utc"])
        texts = [head[name] for name in ("link", "profile", "profile_toml")]
        if not all(isinstance(text, str) for text in texts):
            raise ValueError("link, profile and profile_toml are texts")
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
        raise InputError("these bytes are no transcript", seen=repr(line[:80])) from error
    return TranscriptHead(
        opened_at=opened_at, link=texts[0], profile=texts[1], profile_toml=texts[2], anchors=[(0.0, opened_at)]
    )  # fmt: skip


def parse_frames(lines: Iterable[bytes], head: TranscriptHead) -> Iterator[Frame | Unreadable | str]:
    """Frames, remarks (as text) and unreadable lines behind the first line, in order; anchors are added to ``head``.

    A last line without its end was being written when the program died; it is left out, as ever was intended.
    """
    head.anchors = head.anchors[:1]
    for number, line in enumerate(lines, start=2):
        if not line.endswith(b"\n"):
            return
        found: Frame | Unreadable | str | None
        try:
            found = _parse_line(line, number, head)
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
            text = line[:-1][:200].decode("ascii", "backslashreplace")
            found = Unreadable(number=number, text=text, why=str(error)[:100])
        if found is not None:
            yield found


def _parse_line(line: bytes, number: int, head: TranscriptHead) -> Frame | str | None:
    body = json.loads(line)
    at_s = body["t"]
    if body["n"] != number or isinstance(at_s, bool) or not isinstance(at_s, (int, float)) or not 0 <= at_s < 1e9:
        raise ValueError("the number or the time of the line is wrong")
    if "utc" in body:
        head.anchors.append((float(at_s), _moment(body["utc"])))
        return None
    if "note" in body:
        return str(body["note"])
    operation, channel = body.get("op", BYTES), body.get("ch", "")
    if operation not in OPERATIONS or not isinstance(channel, str):
        raise ValueError("unknown operation")
    for direction in DIRECTIONS:
        if direction in body:
            return Frame(number, at_s, direction, body[direction].encode("ascii"), operation, channel)
        if f"{direction}_hex" in body:
            data = bytes.fromhex(body[f"{direction}_hex"])
            return Frame(number, at_s, direction, data, operation, channel)
    raise ValueError("the line holds no bytes")


def _moment(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC)
