"""How far a download is, on standard error: a bar on a terminal after two seconds, elsewhere nothing."""

from __future__ import annotations

import sys
import time
from types import TracebackType
from typing import Final, Self

PATIENCE_S: Final = 2.0
EVERY_S: Final = 0.2
BAR: Final = 30


class MeterProgress:
    """Call it with records done and records in all (or None); it draws one line and clears it at the end."""

    def __init__(self) -> None:
        self._on = sys.stderr.isatty()
        self._begun = time.monotonic()
        self._drawn = 0.0

    def __enter__(self) -> Self:
        return self

    def __call__(self, done: int, total: int | None) -> None:
        """Draw, not more often than five times a second."""
        now = time.monotonic()
        if not self._on or now - self._begun < PATIENCE_S or now - self._drawn < EVERY_S:
            return
        self._drawn = now
        sys.stderr.write(f"\r{progress_line(done, total, now - self._begun)}")
        sys.stderr.flush()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._drawn:
            sys.stderr.write("\r" + " " * 79 + "\r")
            sys.stderr.flush()


def progress_line(done: int, total: int | None, seconds: float) -> str:
    """Records done, a bar where the total is known, records a second and the time that is left."""
    rate = done / seconds if seconds > 0 else 0.0
    if not total:
        return f"{done} records, {rate:.0f} a second"[:79]
    filled = min(BAR, BAR * done // total)
    left = f", {(total - done) / rate:.0f} s left" if rate and done < total else ""
    return f"[{'#' * filled}{'.' * (BAR - filled)}] {done} of {total} records, {rate:.0f} a second{left}"[:79]
