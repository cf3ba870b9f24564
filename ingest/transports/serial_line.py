"""Serial ports, and everything else that pyserial opens by URL (``socket://``, ``rfc2217://``, ``loop://``)."""

from __future__ import annotations

import errno
import os
import sys
import time
from typing import Any, Final

import serial

from ingest.foreign_text import show_foreign
from ingest.profiles.device_lines import SerialSection
from ingest.protocols.frames import Send
from ingest.transports.transport import LinkLost, Packet
from schemas.errors import LinkError


def terminal_errors() -> tuple[type[Exception], ...]:
    """What a vanished terminal raises where there are terminals; nothing on Windows."""
    try:
        import termios
    except ImportError:
        return ()
    return (termios.error,)


BROKEN: Final[tuple[type[Exception], ...]] = (serial.SerialException, OSError, *terminal_errors())
OPENING: Final[tuple[type[Exception], ...]] = (*BROKEN, ValueError, ImportError, NotImplementedError)
READ_BYTES: Final = 65_536
WRITE_TIMEOUT_S: Final = 10.0
PORT_POLL_S: Final = 0.05
SOCKET_POLL_S: Final = 0.01
PARITIES: Final = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


class SerialLine:
    """A byte stream over pyserial."""

    def __init__(self, port: Any) -> None:
        self._port = port

    def perform(self, send: Send) -> None:
        """Write the bytes and wait until they are out."""
        try:
            self._port.write(send.data)
            self._port.flush()
        except BROKEN as error:
            raise lost(error) from error

    def receive(self, timeout_s: float) -> Packet | None:
        """Whatever has arrived, at least one byte, or None."""
        try:
            # The port's own time-out stays as it is: changing it sets up the whole line again.
            ends = time.monotonic() + timeout_s
            while not (data := self._port.read(1)):
                if time.monotonic() >= ends:
                    return None
            if waiting := _waiting(self._port):
                data += self._port.read(waiting)
        except BROKEN as error:
            raise lost(error) from error
        return Packet(bytes(data))

    def close(self) -> None:
        """Close the port, whatever state it is in."""
        try:
            self._port.close()
        except BROKEN:
            return


def open_serial(url: str, settings: SerialSection) -> SerialLine:
    """The open port. Raises LinkError saying what to do where it is missing, busy or forbidden."""
    try:
        port = serial.serial_for_url(
            url, do_not_open=True, baudrate=settings.baud, bytesize=settings.data_bits,
            parity=_parity(url, settings), stopbits=settings.stop_bits, rtscts=settings.flow == "rts-cts",
            xonxoff=settings.flow == "xon-xoff", write_timeout=None if "://" in url else WRITE_TIMEOUT_S,
            timeout=SOCKET_POLL_S if "://" in url else PORT_POLL_S,
        )  # fmt: skip
        if "://" not in url and sys.platform != "win32":
            port.exclusive = True
        port.open()
    except OPENING as error:
        raise open_error(url, error) from error
    return SerialLine(port)


def _parity(url: str, settings: SerialSection) -> str:
    """The parity of the line. A pseudo-terminal has none, and Linux refuses to set it there the second time."""
    return str(PARITIES["none" if os.path.realpath(url).startswith("/dev/pts/") else settings.parity])


def _waiting(port: Any) -> int:
    """How many bytes to read at once; a socket tells only that something is there, not how much."""
    waiting = int(port.in_waiting)
    return min(waiting, READ_BYTES) if hasattr(port, "fd") else READ_BYTES if waiting else 0


def lost(error: Exception) -> LinkLost:
    """The sentence for a link that broke."""
    return LinkLost(
        "the link broke while it was in use", seen=show_foreign(str(error)),
        advice="plug the cable in again, switch the meter on, and run the same command: it goes on where it stopped",
    )  # fmt: skip


def open_error(url: str, error: Exception) -> LinkError:
    """What is wrong with the port and what to do on this system."""
    text, code = str(error), getattr(error, "errno", None)
    where = show_foreign(url)
    if code == errno.EACCES or "Permission" in text or "Access is denied" in text:
        return LinkError(
            "this port may not be opened", where=where, seen=show_foreign(text), advice=FORBIDDEN[_system()]
        )
    if code in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in text or "busy" in text.lower():
        return LinkError(
            "another program is using this port", where=where, seen=show_foreign(text), advice=BUSY[_system()]
        )
    if code in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFound" in text or "No such" in text:
        return LinkError(
            "there is no such port", where=where, advice="plug the meter in and list the ports: provebook scan"
        )
    return LinkError(
        "the port cannot be opened", where=where, seen=show_foreign(text),
        advice="list the ports with provebook scan; a link reads serial:/dev/ttyUSB0, serial:COM3 or socket://host:port",
    )  # fmt: skip


def _system() -> str:
    return {"darwin": "macOS", "win32": "Windows"}.get(sys.platform, "Linux")


FORBIDDEN: Final = {
    "Linux": "add yourself to the group that owns the port (ls -l shows it, often dialout) and sign in again:"
    " sudo usermod -aG dialout $USER",
    "macOS": "use the /dev/cu. name of the port, not /dev/tty., and allow the terminal under Privacy & Security",
    "Windows": "close every program that may hold the port (a terminal, the meter's own software), or sign in as a"
    " user who may use it",
}
BUSY: Final = {
    "Linux": "close the other program; fuser -v PORT names it, and ModemManager may be one",
    "macOS": "close the other program; lsof PORT names it",
    "Windows": "close the other program: a terminal, or the meter's own software",
}
