"""A SCPI instrument played by the package sinstruments in a process of its own: its framing, its pseudo-terminal.

Usage: python scpi_peer.py PATH. A link to the pseudo-terminal is made at PATH, "ready" is printed, SIGTERM ends it.
"""

from __future__ import annotations

import sys

from sinstruments.simulator import BaseDevice, Server

ANSWERS = {
    b"*IDN?": b"INVENTED,SP-1,00417,0.9\n",
    b"MEM:COUN?": b"+3\n",
    b"SYST:DATE?;:SYST:TIME?": b"2031,4,2;9,0,7\n",
    b"SYST:ERR?": b'0,"No error"\n',
    b"*OPC?": b"1\n",
}
RECORDS = (
    b'1,"2031-04-02","08:10:00",VLN,+2.301000E+02,V,"A ""quoted"" label"\n',
    b'2,"2031-04-02","08:11:00",INS500,9.9E37,Mohm,""\n',
    b'3,"2031-04-02","08:12:00",LOOP,9.91E37,ohm,"x;y,z"\n',
)


class Instrument(BaseDevice):
    """Answers queries; records come as one definite block."""

    def handle_message(self, message: bytes) -> bytes | None:
        """The answer to one line."""
        line = message.strip()
        if line.startswith(b"MEM:REC?"):
            first, last = (int(part) for part in line.split()[1].split(b","))
            body = b"".join(RECORDS[first - 1 : last])
            length = b"%d" % len(body)
            return b"#%d%s%s\n" % (len(length), length, body)
        return ANSWERS.get(line)


class Entry:
    """What sinstruments looks up a device class by."""

    @staticmethod
    def load() -> type[Instrument]:
        """The class."""
        return Instrument


if __name__ == "__main__":
    device = {"class": "Instrument", "name": "peer", "transports": [{"type": "serial", "url": sys.argv[1]}]}
    server = Server(devices=[device], registry={"Instrument": Entry})
    print("ready", flush=True)
    server.serve_forever()
