"""Links, ports that cannot be opened, sockets, clocks, deleting, scanning: each trouble ends in a sentence."""

from __future__ import annotations

import errno
import fcntl
import json
import socket
import sys
import threading
from types import SimpleNamespace

import pytest
import serial

from cli import links
from ingest.book import Book
from ingest.demo.day import demo_day
from ingest.demo.lines_meter import LinesDemoMeter, line
from ingest.links import parse_link
from ingest.meter_session import Patience
from ingest.profiles.devices import sample_profiles
from ingest.scan import Found, scan_ports
from ingest.sync import sync_meter
from ingest.transports.scripted import ScriptedTransport
from ingest.transports.serial_line import open_error
from schemas.errors import InputError, LinkError


class Heard:
    def __init__(self):
        self.results, self.remarks = [], []

    def result(self, text):
        self.results.append(text)

    def remark(self, text):
        self.remarks.append(text)


@pytest.mark.parametrize(
    ("text", "way", "rest"),
    [
        ("serial:/dev/ttyUSB0", "serial", "/dev/ttyUSB0"), ("serial:COM3", "serial", "COM3"),
        ("ble:AA:BB:CC:DD:EE:FF", "ble", "AA:BB:CC:DD:EE:FF"), ("demo:lines", "demo", "lines"),
        ("socket://192.168.1.20:4001", "serial", "socket://192.168.1.20:4001"),
        ("rfc2217://host:2217", "serial", "rfc2217://host:2217"), ("loop://", "serial", "loop://"),
    ],
)  # fmt: skip
def test_links_as_people_write_them(text, way, rest):
    link = parse_link(text)
    assert (link.way, link.rest) == (way, rest)


@pytest.mark.parametrize("text", ["", "serial:", "/dev/ttyUSB0", "ftp://host", "ble:", "demo", "\x1b[2J"])
def test_what_is_no_link_is_told_with_examples(text):
    with pytest.raises(InputError, match="no link to a meter") as caught:
        parse_link(text)
    assert "serial:/dev/ttyUSB0" in caught.value.advice
    assert "\x1b" not in str(caught.value)


def test_a_port_that_is_not_there(book):
    with pytest.raises(LinkError, match="no such port") as caught:
        sync_meter(book, "serial:/dev/nothing-here", profile="demo-lines")
    assert "provebook scan" in caught.value.advice


def test_a_port_that_another_program_uses(book, plug):
    peer = plug(LinesDemoMeter(demo_day(2)).receive)
    with serial.Serial(peer.path, exclusive=True), pytest.raises(LinkError, match="another program") as caught:
        sync_meter(book, peer.url, profile="demo-lines")
    assert "close the other program" in caught.value.advice


@pytest.mark.parametrize(
    ("system", "word"), [("linux", "dialout"), ("darwin", "/dev/cu."), ("win32", "close every program")]
)
def test_what_to_do_about_a_forbidden_port_on_each_system(monkeypatch, system, word):
    monkeypatch.setattr(sys, "platform", system)
    error = serial.SerialException(errno.EACCES, "could not open port: Permission denied")
    fault = open_error("/dev/ttyUSB0", error)
    assert fault.what == "this port may not be opened"
    assert word in fault.advice


def test_a_meter_behind_a_socket(book):
    meter = LinesDemoMeter(demo_day(30))
    server = socket.create_server(("127.0.0.1", 0))

    def serve():
        connection, _ = server.accept()
        with connection:
            while data := connection.recv(4096):
                connection.sendall(meter.receive(data))

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    report = sync_meter(book, f"socket://127.0.0.1:{server.getsockname()[1]}", profile="demo-lines")
    thread.join(timeout=5)
    server.close()
    assert (report.fault, report.readings, report.complete) == (None, 30, True)


def test_no_profile_is_guessed(book):
    with pytest.raises(InputError, match="say which profile"):
        sync_meter(book, "serial:/dev/ttyUSB9")
    with pytest.raises(InputError, match="no meter profile 'demo-line'") as caught:
        sync_meter(book, "serial:/dev/ttyUSB9", profile="demo-line")
    assert "did you mean demo-lines?" in caught.value.advice
    with pytest.raises(InputError, match="no such demo meter"):
        sync_meter(book, "demo:piano")


def test_a_scripted_dialogue_of_literal_bytes_is_a_meter_too(book):
    records = b"".join(
        line(f"R;{number};02/04/2031;09:12:40;VLN;238.{number};V;A") for number in (1, 2)
    )  # fmt: skip
    script = ScriptedTransport(
        [
            (b"WHO\r\n", line("WHO;M;SN1")), *[(b"NOW\r\n", line("NOW;02/04/2031 09:12:40"))] * 3,
            (b"HOLDS\r\n", line("HOLDS;2")), (b"LIST 1 2\r\n", records + line("LIST END")),
            (b"LIST 3 3\r\n", line("LIST END")),
        ],
        chunk=3,
    )  # fmt: skip
    report = sync_meter(book, "serial:x", profile="demo-lines", opener=lambda link, profile: script)
    assert (report.fault, report.readings, report.complete) == (None, 2, True)
    assert script.done


def test_a_count_beyond_all_measure_is_bounded(book, plug):
    meter = LinesDemoMeter(demo_day(3))
    small = sample_profiles()["demo-lines"]
    small = small.model_copy(update={"meter": small.meter.model_copy(update={"max_records": 5}), "quiet_s": 0.2})

    def boast(data):
        return meter.receive(data).replace(line("HOLDS;3"), line("HOLDS;999999999"))

    report = sync_meter(
        book, plug(boast).url, profile="demo-lines", profiles={"demo-lines": small}, patience=Patience(reopen_times=0)
    )
    assert not report.complete
    assert report.readings == 3
    assert any("999999999 records; the profile allows 5" in sentence for sentence in report.sentences)


def test_numbers_that_wrap_are_told_apart_by_position(book, plug):
    wrapping = sample_profiles()["demo-lines"]
    wrapping = wrapping.model_copy(update={"lines": wrapping.lines.model_copy(update={"numbers_wrap_at": 10})})

    def answer(data):
        text = data.decode().strip()
        if text.startswith("LIST"):
            first, last = (int(part) for part in text.split()[1:])
            body = [f"R;{at % 10};02/04/2031;09:{at:02}:00;VLN;230.0;V;" for at in range(first, min(last, 25) + 1)]
            return b"".join(line(one) for one in [*body, "LIST END"])
        return {"WHO": line("WHO;M;SN9"), "HOLDS": line("HOLDS;25")}.get(text, line("NOW;02/04/2031 09:00:00"))

    report = sync_meter(book, plug(answer).url, profile="demo-lines", profiles={"demo-lines": wrapping})
    assert (report.complete, report.readings, report.refusals) == (True, 25, 0)


def test_scan_lists_ports_with_harmless_names():
    port = SimpleNamespace(device="/dev/ttyUSB0", description="\x1b[2Jmeter", manufacturer="M\x07", serial_number=None)
    (found,) = scan_ports(lambda: [port])
    assert found.link == "serial:/dev/ttyUSB0"
    assert (found.name, found.detail) == ("\\x1b[2Jmeter", "maker M\\x07")


def test_scan_on_a_terminal():
    say = Heard()

    def no_air(seconds):
        raise LinkError("there is no Bluetooth here to use", advice="switch it on")

    ports = [Found(link="serial:/dev/ttyUSB0", name="meter", detail="maker M")]
    assert links.scan(say=say, ports=lambda: ports, bluetooth=no_air) == 0
    assert say.results == ["serial:/dev/ttyUSB0               meter  maker M"]
    assert say.remarks == ["not looked: there is no Bluetooth here to use; try: switch it on"]

    def no_ports():
        raise LinkError("the serial ports cannot be listed")

    assert links.scan(say=Heard(), ports=no_ports, bluetooth=no_air) == 2
    say = Heard()
    links.scan(say=say, ports=list, bluetooth=lambda seconds: [], as_json=True)
    assert json.loads(say.results[0]) == {"found": [], "faults": []}


@pytest.mark.parametrize("kind", ["lines", "scpi", "modbus", "gatt"])
def test_sync_of_each_demo_meter_on_a_terminal(book, kind):
    say = Heard()
    assert links.sync(book, f"demo:{kind}", say=say) == 0
    assert "32 readings, 0 refusals" in say.results[0]
    assert "all are in the book" in say.results[1]
    say = Heard()
    links.sync(book, f"demo:{kind}", say=say, as_json=True)
    told = json.loads(say.results[0])
    assert (told["records_on_meter"], told["records_known"], told["complete"]) == (32, 32, True)


def test_exit_codes_of_sync(book, plug):
    spoiled = LinesDemoMeter(demo_day(3))

    def unknown(data):
        text = spoiled.receive(data)
        old = line("R;3;02/04/2031;09:14:14;VLN;238.4;V;BOILER-1")
        assert old in text or b"LIST 1" not in data
        return text.replace(old, line("R;3;02/04/2031;09:14:14;VXX;238.4;V;BOILER-1"))

    assert links.sync(book, plug(unknown).url, say=Heard(), profile="demo-lines") == 1
    say = Heard()
    boaster = LinesDemoMeter(demo_day(3))
    boast = plug(lambda data: boaster.receive(data).replace(line("HOLDS;3"), line("HOLDS;4")))
    assert links.sync(Book(book.root / "other"), boast.url, say=say, profile="demo-lines") == 1
    assert "not all of them are in the book" in say.results[1]
    say = Heard()
    garbage = plug(lambda data: b"\x80\x81\r\n")
    assert links.sync(Book(book.root / "third"), garbage.url, say=say, profile="demo-lines") == 2
    assert "not what the profile describes" in say.remarks[0]


def test_a_profile_may_be_named_by_its_file(book, plug, tmp_path):
    own = tmp_path / "own.toml"
    own.write_text(sample_profiles()["demo-lines"].toml.replace('"demo-lines"', '"own"'))
    say = Heard()
    assert links.sync(book, plug(LinesDemoMeter(demo_day(3)).receive).url, say=say, profile=str(own)) == 0
    assert "3 readings" in say.results[0]


def test_lock_of_a_running_conversation_is_respected(book, plug):
    """A second process does not take in what the first one is still writing."""
    from ingest.meter_session import MeterSession, recover_transcripts

    peer = plug(LinesDemoMeter(demo_day(3)).receive)
    session = MeterSession(
        book,
        parse_link(peer.url),
        sample_profiles()["demo-lines"],
        heard=lambda event, asked_s: None,
        patience=Patience(),
    )
    session.identify()
    with open(f"{session.transcript.path}.lock", "a") as other, pytest.raises(BlockingIOError):
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
    assert session.keep() is not None
    assert list(recover_transcripts(book)) == []


class WithoutModemLines(serial.Serial):
    """A pseudo-terminal has no modem lines to ask for."""

    cts = dsr = ri = cd = True

    def _update_dtr_state(self):
        """Nothing to set."""

    def _update_rts_state(self):
        """Nothing to set."""


class Networked:
    """pyserial's own RFC 2217 server part between a socket and a serial port."""

    def __init__(self, port):
        import serial.rfc2217

        self._port = WithoutModemLines(port, timeout=0.02)
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self._server.getsockname()[1]}"
        self._manager = serial.rfc2217.PortManager
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def write(self, data):
        """What the port manager says to the other side."""
        self._connection.sendall(bytes(data))

    def _serve(self):
        self._connection, _ = self._server.accept()
        self._connection.settimeout(0.02)
        manager = self._manager(self._port, self)
        while not self._stop.is_set():
            if data := self._port.read(4096):
                self._connection.sendall(b"".join(manager.escape(data)))
            try:
                got = self._connection.recv(4096)
            except TimeoutError:
                continue
            except OSError:
                return
            if not got:
                return
            self._port.write(b"".join(manager.filter(got)))

    def close(self):
        self._stop.set()
        self._thread.join(timeout=5)
        self._port.close()
        self._server.close()


def test_a_meter_behind_a_networked_serial_port(book, plug):
    peer = plug(LinesDemoMeter(demo_day(25)).receive)
    served = Networked(peer.path)
    try:
        report = sync_meter(book, served.url, profile="demo-lines")
    finally:
        served.close()
    assert (report.fault, report.readings, report.complete) == (None, 25, True)


def test_a_line_that_only_echoes_is_no_meter(book):
    with pytest.raises(LinkError, match="gave no answer"):
        raise sync_meter(book, "loop://", profile="demo-lines", patience=Patience(reopen_times=0)).fault
