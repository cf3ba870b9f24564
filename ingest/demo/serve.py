"""Runs a demo meter in a thread behind a real pseudo-terminal, or behind a socket where there are none (Windows)."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
from typing import Protocol

from schemas.errors import LinkError

WAKE_S = 0.05
WAKES_PER_TICK = 10


class ByteMeter(Protocol):
    """A meter that answers bytes with bytes."""

    def receive(self, data: bytes) -> bytes:
        """The answer to ``data``."""

    def tick(self) -> bytes:
        """What it says on its own, asked for twice a second."""


class ServedMeter:
    """A demo meter that can be opened at ``url`` until ``close``."""

    def __init__(self, meter: ByteMeter) -> None:
        self._meter = meter
        self._stop = threading.Event()
        self._wakes = 0
        if hasattr(os, "openpty"):
            self._near, self._far = os.openpty()
            _make_raw(self._far)
            self.url = os.ttyname(self._far)
            run = self._serve_terminal
        else:
            self._server = socket.create_server(("127.0.0.1", 0))
            self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
            run = self._serve_socket
        self._thread = threading.Thread(target=run, name="demo meter", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Unplug."""
        if self._stop.is_set():
            return
        self._stop.set()
        self._thread.join(timeout=5)
        if hasattr(os, "openpty"):
            for handle in (self._near, self._far):
                with contextlib.suppress(OSError):
                    os.close(handle)
        else:
            self._server.close()

    def _tick(self) -> bytes:
        self._wakes += 1
        return self._meter.tick() if self._wakes % WAKES_PER_TICK == 0 else b""

    def _serve_terminal(self) -> None:
        while not self._stop.is_set():
            ready, _, _ = select.select([self._near], [], [], WAKE_S)
            try:
                answer = self._meter.receive(os.read(self._near, 65_536)) if ready else self._tick()
                while answer and not self._stop.is_set():
                    _, writable, _ = select.select([], [self._near], [], WAKE_S)
                    if writable:
                        answer = answer[os.write(self._near, answer[:4096]) :]
            except OSError:
                return

    def _serve_socket(self) -> None:
        self._server.settimeout(WAKE_S)
        while not self._stop.is_set():
            with contextlib.suppress(TimeoutError, ConnectionError):
                connection, _ = self._server.accept()
                with connection:
                    connection.settimeout(WAKE_S)
                    self._talk(connection)

    def _talk(self, connection: socket.socket) -> None:
        while not self._stop.is_set():
            try:
                data = connection.recv(65_536)
            except TimeoutError:
                connection.sendall(self._tick())
                continue
            if not data:
                return
            connection.sendall(self._meter.receive(data))


def _make_raw(handle: int) -> None:
    """No echo, no translation of line ends: a plain byte line."""
    import tty

    try:
        tty.setraw(handle)
    except OSError as error:
        raise LinkError("the demo meter cannot open a pseudo-terminal", seen=str(error)) from error
