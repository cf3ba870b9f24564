"""Random and spoiled bytes into every protocol: only our errors come out, nothing hangs, nothing is read wrongly."""

from __future__ import annotations

import os
import random
import time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.contents import Copies, content_mark
from ingest.demo.day import demo_day
from ingest.demo.lines_meter import LinesDemoMeter
from ingest.demo.modbus_meter import ModbusDemoMeter
from ingest.demo.scpi_meter import ScpiDemoMeter
from ingest.profiles.devices import make_meter, sample_profiles
from ingest.protocols.frames import BYTES, DESCRIPTOR, NOTIFY, READ, Damage, Frame, Record
from ingest.protocols.gatt_layouts import parse_current_time, parse_presentation
from ingest.protocols.messages_488 import Malformed, parse_message
from ingest.protocols.record_rows import RowMaker
from ingest.transcript_clocks import clock_readings
from ingest.transcripts import read_transcript, settle

KINDS = ("demo-lines", "demo-scpi", "demo-modbus", "demo-gatt")
LONDON = ZoneInfo("Europe/London")
CHANNELS = ("2a25", "2a24", "2a19", "2a2b", "2a52", "7d2a0002-5b0e-4c3a-9f61-2b6d8e4c1a70",
            "7d2a0003-5b0e-4c3a-9f61-2b6d8e4c1a70", "ffff")  # fmt: skip
ASKED = (
    b"WHO\r\n", b"NOW\r\n", b"HOLDS\r\n", b"LIST 1 5\r\n", b"TELL ON\r\n", b"*IDN?\n", b"MEM:COUN?\n",
    b"MEM:REC? 1,3\n", b"READ?\n", b"SYST:ERR?\n", bytes.fromhex("010400640013f018"),
    bytes.fromhex("010400100001300f"), bytes.fromhex("0106000a00016808"), bytes.fromhex("010400280002f003"),
)  # fmt: skip
TRICKY = (b"R;1;", b"*5A\r\n", b"\r\n", b"#9", b"#10", b'"', b"9.91E37\n", b"\x01\x04\x26", b"\x01\x84\x02", b";" * 9)

pieces = st.one_of(st.binary(max_size=40), st.sampled_from(TRICKY), st.text(max_size=20).map(str.encode))


@st.composite
def conversations(draw):
    """Frames of both directions with some sense in the questions and none in the answers."""
    frames = []
    for number in range(2, draw(st.integers(3, 20))):
        if draw(st.integers(0, 3)) == 0:
            frames.append(Frame(number, number / 10, "out", draw(st.sampled_from(ASKED))))
        else:
            operation = draw(st.sampled_from((BYTES, NOTIFY, READ, DESCRIPTOR)))
            channel = draw(st.sampled_from(CHANNELS))
            frames.append(Frame(number, number / 10, "in", draw(pieces), operation, channel))
    return frames


@pytest.mark.parametrize("kind", KINDS)
@given(frames=conversations())
@settings(max_examples=60, deadline=None)
def test_decoders_give_events_for_anything(kind, frames):
    profile = sample_profiles()[kind]
    decoder = make_meter(profile).decoder()
    events = [event for frame in frames for event in decoder.feed(frame)] + decoder.finish()
    maker = RowMaker(profile=profile, sha256="0" * 64, zone=LONDON, serial=None)
    from datetime import UTC, datetime

    for event in events:
        if isinstance(event, Record):
            assert maker.rows(event, 1, datetime(2031, 4, 2, tzinfo=UTC))
        if isinstance(event, Damage):
            assert all(character.isprintable() for character in event.raw)


@given(data=st.binary(max_size=400))
@settings(max_examples=15, deadline=None)
def test_transcripts_of_nonsense(data):
    for content in (data, b'{"transcript":1,"n":1,"t":0,' + data):
        extract = read_transcript(content, sha256="0" * 64, profiles={}, zone=LONDON)
        assert extract.records == len(extract.readings) + len(extract.refusals)
        clock_readings(content, sha256="0" * 64, profiles={}, zone=LONDON)


@given(data=st.binary(max_size=80))
@settings(max_examples=300, deadline=None)
def test_response_messages_are_parsed_or_malformed(data):
    try:
        message = parse_message(data)
    except Malformed:
        return
    assert message is None or 0 < message.length <= len(data)


@given(data=st.binary(max_size=12))
@settings(max_examples=200, deadline=None)
def test_characteristics_are_read_or_refused(data):
    parse_presentation(data)
    parse_current_time(data)


@pytest.mark.parametrize(("kind", "make"), [
    ("demo-lines", LinesDemoMeter), ("demo-scpi", ScpiDemoMeter), ("demo-modbus", ModbusDemoMeter),
])  # fmt: skip
def test_one_flipped_bit_anywhere_never_changes_a_value(kind, make):
    """Every single-bit error in a whole conversation: what is read is what was sent, or it is refused."""
    profile = sample_profiles()[kind]
    frames = conversation(profile, make(demo_day(4)))
    truth = values(profile, frames)
    assert len(truth) == 4
    whole = [place for place, frame in enumerate(frames) if frame.direction == "in"]
    for place in whole:
        for bit in range(len(frames[place].data) * 8):
            data = bytearray(frames[place].data)
            data[bit // 8] ^= 1 << bit % 8
            spoiled = [*frames[:place], frames[place]._replace(data=bytes(data)), *frames[place + 1 :]]
            for position, content in values(profile, spoiled).items():
                assert content == truth[position]


def conversation(profile, peer):
    """The frames of a whole download, asked for as the sync does, twice where nothing protects the bytes."""
    frames, meter = [], make_meter(profile)
    for _ in range(2 if profile.reads_twice else 1):
        script = meter.fetch([1, 2, 3, 4])
        decoder, waiting = meter.decoder(), []
        step = next(script)
        try:
            while True:
                if hasattr(step, "data"):
                    frames.append(Frame(len(frames) + 2, 0.0, "out", step.data))
                    decoder.feed(frames[-1])
                    answer = peer.receive(step.data)
                    if answer:
                        frames.append(Frame(len(frames) + 2, 0.0, "in", answer))
                        waiting = decoder.feed(frames[-1])
                    step = script.send(None)
                else:
                    step = script.send(waiting.pop(0) if waiting else None)
        except StopIteration:
            continue
    return frames


def values(profile, frames):
    """What the transcript rules take for certain, by position."""
    decoder = make_meter(profile).decoder()
    events = [event for frame in frames for event in decoder.feed(frame)] + decoder.finish()
    records = [event for event in events if isinstance(event, Record) and event.stored]
    copies = Copies()
    for record in records:
        copies.add(record.position, content_mark(record.raw))
    return {record.position: record.raw for record, sure in settle(records, copies, profile.reads_twice) if sure}


@pytest.mark.slow
def test_a_long_fuzz_run():
    """Random conversations for PROVEBOOK_FUZZ_S seconds (20 where nothing is said): a decoder raises nothing."""
    until = time.monotonic() + float(os.environ.get("PROVEBOOK_FUZZ_S", "20"))
    rng = random.Random(7)
    rounds = 0
    profiles = [sample_profiles()[kind] for kind in KINDS]
    decoders = [make_meter(profile).decoder() for profile in profiles]
    while time.monotonic() < until:
        rounds += 1
        for place, profile in enumerate(profiles):
            if rng.random() < 0.02:
                decoders[place] = make_meter(profile).decoder()
            for _ in range(20):
                if rng.random() < 0.2:
                    frame = Frame(2, 0.0, "out", rng.choice(ASKED))
                else:
                    data = rng.choice(TRICKY) if rng.random() < 0.3 else rng.randbytes(rng.randrange(60))
                    frame = Frame(2, 0.0, "in", data, rng.choice((BYTES, NOTIFY, READ)), rng.choice(CHANNELS))
                decoders[place].feed(frame)
    assert rounds > 100
