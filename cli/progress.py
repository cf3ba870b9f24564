"""A progress bar on standard error, for work longer than two seconds on a terminal; elsewhere nothing."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

PATIENCE_S: Final = 2.0


@contextmanager
def told(doing: str, total: int) -> Iterator[Callable[[int], None]]:
    """Give a function to call with each number of things done; the bar appears after two seconds."""
    if not sys.stderr.isatty():
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import Progress

    bar = Progress(console=Console(stderr=True), transient=True)
    task = bar.add_task(doing, total=total)
    begun = time.monotonic()
    shown = False

    def advance(done: int) -> None:
        nonlocal shown
        if not shown and time.monotonic() - begun > PATIENCE_S:
            bar.start()
            shown = True
        bar.advance(task, done)

    try:
        yield advance
    finally:
        if shown:
            bar.stop()
