"""Fixtures of the meter tests: a book, and peers behind real pseudo-terminals with faults in between."""

from __future__ import annotations

import contextlib
import os
import random
import select
import threading
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from ingest.book import Book
from ingest.transcripts import read_transcript


@dataclass(kw_only=True)
class Faults:
    """What goes wrong between the meter and the port."""

    dies_at_byte: int | None = None
    noise: float = 0.0
    drop: float = 0.0
    echo: bool = False
    banner: bytes = b""
    chunk: int = 0
    think_s: float = 0.0
    silent: bool = False
    seed: int = 1


class PtyPeer:
    """A byte meter behind a pseudo-terminal. ``meter(data) -> answer``; unplugged when the fault says so."""

    def __init__(self, answer: Callable[[bytes], bytes], faults: Faults | None = None) -> None:
        self.faults = faults or Faults()
        self._answer = answer
        self._random = random.Random(self.faults.seed)
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        self.path = os.ttyname(self._far)
        self.url = f"serial:{self.path}"
        self.sent = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        if self.faults.banner:
            os.write(self._near, self.faults.banner)
        while not self._stop.is_set():
            ready, _, _ = select.select([self._near], [], [], 0.02)
            if not ready:
                continue
            try:
                data = os.read(self._near, 65_536)
            except OSError:
                return
            if self.faults.silent:
                continue
            if self._stop.wait(self.faults.think_s):
                return
            answer = (data if self.faults.echo else b"") + self._answer(data)
            if not self._write(self._spoil(answer)):
                self.unplug()
                return

    def _spoil(self, data: bytes) -> bytes:
        if not self.faults.noise and not self.faults.drop:
            return data
        out = bytearray()
        for byte in data:
            if self._random.random() < self.faults.drop:
                continue
            flip = self._random.random() < self.faults.noise
            out.append(byte ^ (1 << self._random.randrange(8)) if flip else byte)
        return bytes(out)

    def _write(self, data: bytes) -> bool:
        alive = True
        if self.faults.dies_at_byte is not None and self.sent + len(data) >= self.faults.dies_at_byte:
            data, alive = data[: self.faults.dies_at_byte - self.sent], False
        self.sent += len(data)
        step = self.faults.chunk or 4096
        for at in range(0, len(data), step):
            piece = data[at : at + step]
            while piece and not self._stop.is_set():
                _, writable, _ = select.select([], [self._near], [], 0.05)
                piece = piece[os.write(self._near, piece) :] if writable else piece
        return alive

    def say(self, data: bytes) -> None:
        """Something that nobody asked for."""
        os.write(self._near, data)

    def unplug(self) -> None:
        """Let what was written be read, then close both ends."""
        if not self._stop.is_set():
            self._stop.set()
            with contextlib.suppress(OSError):
                os.close(self._far)
            select.select([], [], [], 0.02)
            with contextlib.suppress(OSError):
                os.close(self._near)

    def close(self) -> None:
        """Unplug and wait for the thread."""
        self.unplug()
        self._thread.join(timeout=5)


@pytest.fixture
def book(tmp_path: Path) -> Book:
    made = Book(tmp_path / "book")
    made.create()
    return made


@pytest.fixture
def plug() -> Iterator[Callable[..., PtyPeer]]:
    """Plug a meter in; all are unplugged at the end."""
    peers: list[PtyPeer] = []

    def make(answer: Callable[[bytes], bytes], **faults: Any) -> PtyPeer:
        peers.append(PtyPeer(answer, Faults(**faults)))
        return peers[-1]

    yield make
    for peer in peers:
        peer.close()


@pytest.fixture
def readings_of() -> Callable[[Book], pd.DataFrame]:
    """Every stored reading in a book, once, without what depends on the evidence it came by."""

    def read(book: Book) -> pd.DataFrame:
        tables = []
        for sha256 in book.evidence.hashes():
            extract = read_transcript(book.evidence.read(sha256), sha256=sha256, profiles={}, zone=book.zone)
            tables.append(extract.readings)
        if not tables:
            return pd.DataFrame()
        joined = pd.concat(tables).drop(columns=["reading_id", "evidence_sha256", "record_no", "column_no"])
        return joined.drop_duplicates().sort_values("memory_no").reset_index(drop=True)

    return read
