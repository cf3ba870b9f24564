"""Frames, checksums, floats and layouts against numbers from outside; each names its source."""

from __future__ import annotations

import pytest

from ingest.profiles.device_gatt import GattField
from ingest.profiles.device_modbus import Area
from ingest.profiles.devices import sample_profiles
from ingest.protocols.checksums import CHECKSUMS
from ingest.protocols.frames import Frame
from ingest.protocols.gatt_layouts import (
    Presentation,
    current_time_bytes,
    parse_current_time,
    parse_presentation,
    read_fields,
)
from ingest.protocols.messages_488 import Malformed, parse_message, special_number
from ingest.protocols.modbus_decoder import decode_adu, make_framer
from ingest.protocols.register_values import read_area


def one(kind, data, **more):
    return read_fields(bytes.fromhex(data), [GattField(name="value", type=kind, **more)])["value"]


# CRC catalogue, CRC-16/MODBUS check value (from memory; recomputed).
def test_crc_catalogue_check_string():
    assert CHECKSUMS["crc16"](b"123456789") == "4B37"


# Modbus over serial line guide, appendix (from memory; recomputed): 02 07 is followed by 41 12.
def test_modbus_crc_is_sent_low_byte_first():
    framer = make_framer(sample_profiles()["demo-modbus"])
    assert framer.encode(bytes([0x07]), 2, 0).hex() == "02074112"


# The classic reference request (from memory; recomputed).
def test_modbus_request_frame():
    from pymodbus.pdu.register_message import ReadHoldingRegistersRequest

    framer = make_framer(sample_profiles()["demo-modbus"])
    request = ReadHoldingRegistersRequest(address=0x6B, count=3, dev_id=0x11)
    assert framer.buildFrame(request).hex() == "1103006b00037687"


# Test suite of an open-source Modbus library, seen there: registers AE41 5652 4340; a wrong last byte must fail.
def test_modbus_response_frame_and_its_damaged_copy():
    framer = make_framer(sample_profiles()["demo-modbus"])
    _, answer = decode_adu(framer, bytes.fromhex("110306AE415652434049AD"))
    assert answer.registers == [0xAE41, 0x5652, 0x4340]
    used, answer = decode_adu(framer, bytes.fromhex("110306AE415652434049AC"))
    assert used == 11
    assert answer is None


# RTU exception frame, recomputed.
def test_modbus_exception_frame():
    framer = make_framer(sample_profiles()["demo-modbus"])
    _, answer = decode_adu(framer, bytes.fromhex("018302C0F1"))
    assert (answer.function_code, answer.exception_code) == (0x83, 2)


# HL7 guide for personal health devices, page "IEEE 11073 FLOATs and SFLOATs": codes and decimals with their digits.
@pytest.mark.parametrize(
    ("code", "decimal"),
    [
        ("0002", "2"), ("F014", "2.0"), ("E0C8", "2.00"), ("1002", "2E+1"), ("2002", "2E+2"), ("00C8", "200"),
        ("04D2", "1234"), ("0B2E", "-1234"),
    ],
)  # fmt: skip
def test_sfloat(code, decimal):
    assert one("sfloat", bytes.fromhex(code)[::-1].hex()).text == decimal


@pytest.mark.parametrize(
    ("code", "decimal"),
    [("00000002", "2"), ("FF000014", "2.0"), ("FE0000C8", "2.00"), ("01000002", "2E+1"), ("00FFFB2E", "-1234")],
)
def test_float(code, decimal):
    assert one("float", bytes.fromhex(code)[::-1].hex()).text == decimal


# The same page: NaN, +infinity, -infinity, not at this resolution, reserved.
@pytest.mark.parametrize(
    ("code", "special"),
    [("07FF", "none"), ("07FE", "over"), ("0802", "under"), ("0800", "none"), ("0801", "none")],
)
def test_sfloat_specials(code, special):
    assert one("sfloat", bytes.fromhex(code)[::-1].hex()).special == special


@pytest.mark.parametrize(
    ("code", "special"),
    [("007FFFFF", "none"), ("007FFFFE", "over"), ("00800002", "under"), ("00800000", "none"), ("00800001", "none")],
)
def test_float_specials(code, special):
    assert one("float", bytes.fromhex(code)[::-1].hex()).special == special


# Bluetooth SIG: Voltage 0x2B18 is uint16 in 1/64 V, Electric Current 0x2AEE uint16 in 0.01 A; bytes recomputed.
def test_sig_voltage_and_current():
    assert float(one("u16", "8039").text) / 64 == 230.0
    assert float(one("u16", "2C01").text) * 0.01 == pytest.approx(3.00)


# Bluetooth SIG: Current Time; decoded by an independent library as well: 2026-11-25 06:45:37.5, Wednesday, manual.
def test_current_time():
    assert parse_current_time(bytes.fromhex("EA070B19062D25038001")) == ("2026-11-25T06:45:37.500000", "0.00390625")


def test_current_time_round_trip():
    from datetime import datetime

    moment = datetime(2026, 11, 25, 6, 45, 37, 500_000)
    assert current_time_bytes(moment).hex() == "ea070b19062d25038001"


# Bluetooth SIG: presentation format descriptor, seven octets; bytes recomputed.
def test_presentation_format():
    assert parse_presentation(bytes.fromhex("06FF2827010000")) == Presentation("u16", -1, "V")
    assert parse_presentation(bytes.fromhex("06FE2A27010000")) == Presentation("u16", -2, "Ohm")
    megohm = parse_presentation(bytes.fromhex("06062A27010000"))
    assert megohm == Presentation("u16", 6, "Ohm")
    cells = read_fields(bytes.fromhex("2300"), [GattField(name="value", type="presented")], megohm)
    assert (cells["value"].text, cells["unit"].text) == ("3.5E+7", "Ohm")


# Tests of an open-source IEEE 488.2 parser: definite blocks and doubled quotes.
def test_definite_blocks():
    assert parse_message(b"#12AB\n").units[0][0].data == b"AB"
    assert parse_message(b"#204ABCD\n").units[0][0].data == b"ABCD"
    assert parse_message(b"#13AB\n") is None
    assert parse_message(b"#13AB\n\n").units[0][0].data == b"AB\n"
    assert parse_message(b"#11a\n").units[0][0].data == b"a"
    assert parse_message(b"#211X1234567890\n").units[0][0].data == b"X1234567890"
    with pytest.raises(Malformed):
        parse_message(b"#02AB\n")


def test_quotes_are_doubled():
    assert parse_message(b'"abcd""123"\n').units[0][0].data == b'abcd"123'


# SCPI-99 volume 1, 7.2.1 (from memory): infinity and not a number.
def test_scpi_specials():
    assert special_number(b"9.9E37") == "over"
    assert special_number(b"-9.90000E+37") == "under"
    assert special_number(b"9.91E+37") == "none"
    assert special_number(b"9.89E37") == ""


# Modbus application protocol V1.1b3, 6.3 (from memory): three registers 555, 0, 100.
def test_registers_of_the_protocol_example():
    area = Area(
        address=0x6B, size=3,
        fields=[{"name": "first", "at": 0, "type": "u16"}, {"name": "rest", "at": 1, "type": "u32"}],
    )  # fmt: skip
    cells = read_area(area, [555, 0, 100], low_word_first=False)
    assert (cells["first"].text, cells["rest"].text) == ("555", "100")
    assert read_area(area, [555, 100, 0], low_word_first=True)["rest"].text == "100"


# IEEE 754: 238.4 as a single is 0x436E6666; the shortest decimal of these bits is 238.4 (recomputed with numpy).
def test_single_floats_are_read_as_their_shortest_decimal():
    area = Area(address=0, size=2, fields=[{"name": "value", "at": 0, "type": "f32"}])
    assert read_area(area, [0x436E, 0x6666], low_word_first=False)["value"].text == "238.4"
    assert one("f32", "66666e43").text == "238.4"
    assert read_area(area, [0x7F80, 0], low_word_first=False)["value"].special == "over"
    assert read_area(area, [0x7FC0, 0], low_word_first=False)["value"].special == "none"


def test_modbus_decoder_reads_the_ascii_framing_too():
    from pymodbus.pdu.register_message import ReadInputRegistersRequest

    profile = sample_profiles()["demo-modbus"]
    ascii_profile = profile.model_copy(update={"modbus": profile.modbus.model_copy(update={"framing": "ascii"})})
    framer = make_framer(ascii_profile)
    # LRC of 01 04 00 10 00 01 is -(1+4+16+1) = EA (recomputed).
    assert framer.buildFrame(ReadInputRegistersRequest(address=16, count=1, dev_id=1)) == b":010400100001EA\r\n"
    from ingest.protocols.modbus_decoder import ModbusDecoder

    decoder = ModbusDecoder(ascii_profile)
    decoder.feed(Frame(1, 0.0, "out", b":010400100001EA\r\n"))
    (answer,) = decoder.feed(Frame(2, 0.1, "in", b":0104020020D9\r\n"))
    assert (answer.kind, answer.values["count"]) == ("count", "32")
