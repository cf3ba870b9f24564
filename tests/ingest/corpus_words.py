"""What invented exports say: names of tests, headings, units, words. Written without looking at the reader's own
lists.
"""

from __future__ import annotations

OHM = ["Ω", "ohm", "Ohm", "Ohms", "\u2126", "OHM"]
UNITS = {
    "V": ["V", "Volts", "V AC", "volt"],
    "Ohm": OHM,
    "mOhm": ["mΩ", "mOhm", "milliohm", "m\u2126"],
    "kOhm": ["kΩ", "kOhm", "kohm"],
    "MOhm": ["MΩ", "MOhm", "M\u2126", "Megohm", "Meg", "Mohm"],
    "ms": ["ms", "msec", "mS"],
    "s": ["s", "sec"],
    "A": ["A", "amps", "Amp"],
    "mA": ["mA"],
    "": [""],
}
FACTORS = {"V": 0, "Ohm": 0, "mOhm": -3, "kOhm": 3, "MOhm": 6, "ms": -3, "s": 0, "A": 0, "mA": -3}
SI = {"V": "V", "Ohm": "Ohm", "mOhm": "Ohm", "kOhm": "Ohm", "MOhm": "Ohm", "ms": "s", "s": "s", "A": "A", "mA": "A"}

# (quantity, conductors, test voltage, multiple) to names of the test that leave no doubt
NAMES: dict[tuple[str, str | None, int | None, float | None], list[str]] = {
    ("voltage", "L-N", None, None): [
        "V L-N", "Voltage L-N", "L-N voltage", "VLN", "Volts L/N", "Line-Neutral voltage", "Voltage line to neutral",
        "U L-N", "voltage_ln", "Live-Neutral voltage", "Voltage (L-N)", "Voltage P-N", "Supply voltage L-N",
    ],
    ("voltage", "L-E", None, None): [
        "V L-E", "Voltage L-E", "L-PE voltage", "VLE", "Volts L/E", "Line-Earth voltage", "Voltage line to earth",
        "U L-PE", "voltage_le", "Live-Earth voltage", "Voltage (L-E)", "Voltage P-E", "Supply voltage L-E",
    ],
    ("voltage", "N-E", None, None): [
        "V N-E", "Voltage N-E", "N-PE voltage", "VNE", "Volts N/E", "Neutral-Earth voltage",
        "Voltage neutral to earth", "U N-PE", "voltage_ne", "Voltage (N-E)", "Supply voltage N-E",
    ],
    ("earth_fault_loop_impedance", "L-E", None, None): [
        "Zs", "Loop", "EFLI", "Earth fault loop impedance", "Loop impedance L-E", "Loop impedance", "Z L-PE",
        "earth_loop", "Earth loop", "Loop Zs", "ZS", "Fault loop", "Zₛ", "Loop L-PE",
    ],
    ("line_neutral_loop_impedance", "L-N", None, None): [
        "Loop L-N", "Z L-N", "Loop impedance L-N", "Line impedance", "ZLN", "Line-neutral loop",
    ],
    ("continuity_resistance", "R2", None, None): ["R2", "Continuity R2", "R₂", "CPC continuity R2"],
    ("continuity_resistance", "R1R2", None, None): ["R1+R2", "(R1+R2)", "Continuity R1+R2", "R1R2", "R₁+R₂"],
    ("continuity_resistance", "E-case", None, None): [
        "Earth continuity", "Earth bond", "Continuity earth to case", "Bond", "Earth bonding", "Continuity E-case",
    ],
    ("insulation_resistance", "L-E", 500, None): [
        "Insulation L-E 500V", "IR L-E 500 V", "Ins. L-E @500V", "Insulation resistance L-PE 500 V", "Riso L-PE 500V",
        "Insulation 500V L-E", "INS L/E 500V",
    ],
    ("insulation_resistance", "N-E", 250, None): [
        "Insulation N-E 250V", "IR N-E 250 V", "Ins. N-E @250V", "Insulation resistance N-PE 250 V",
    ],
    ("insulation_resistance", "LN-E", 500, None): [
        "Insulation LN-E 500V", "IR L+N-E 500 V", "Ins. L/N-E 500V", "Insulation (L+N)-E 500 V",
        "Insulation L&N to E 500V",
    ],
    ("insulation_resistance", "L-N", None, None): ["Insulation L-N", "IR L-N", "Insulation resistance L-N"],
    ("rcd_trip_time", None, None, 1.0): [
        "RCD x1", "RCD trip time x1", "RCD 1x", "RCD 1xIΔn", "RCD time x1", "Trip time 1x", "RCD x1 0°",
    ],
    ("rcd_trip_time", None, None, 5.0): ["RCD x5", "RCD trip time x5", "RCD 5x", "RCD 5xIΔn", "RCD 5I"],
    ("rcd_trip_time", None, None, None): ["RCD", "RCD trip time", "RCD time", "Trip time"],
    ("current", None, None, None): ["Load current", "Current", "Running current"],
    ("polarity", None, None, None): ["Polarity", "Polarity check", "Wiring", "Pol."],
    ("non_contact_voltage", None, None, None): [
        "Non-contact voltage", "NCV", "Non contact", "Exposed metalwork", "Metalwork NCV", "Metalwork",
    ],
    ("voltage_indicator_proof", None, None, None): [
        "Proving unit", "Indicator proved", "Proof", "VI proof", "Prove indicator", "Voltage indicator proof",
    ],
}  # fmt: skip
NAMES[("rcd_trip_time", None, None, 5.0)].remove("RCD 5I")

WORDS = {
    ("polarity", "correct"): ["correct", "OK", "Pass", "Correct", "CORRECT"],
    ("polarity", "reversed"): ["reversed", "L-N reversed", "Reversed", "REV"],
    ("polarity", "no earth"): ["no earth", "Earth missing", "No PE"],
    ("polarity", "no neutral"): ["no neutral", "Neutral open"],
    ("polarity", "fault"): ["fault", "Fault", "FAIL"],
    ("non_contact_voltage", "present"): ["present", "Yes", "detected", "LIVE", "Present"],
    ("non_contact_voltage", "absent"): ["absent", "No", "none detected", "not detected", "None", "Absent"],
    ("voltage_indicator_proof", "present"): ["present", "proved", "OK", "Pass", "Yes"],
    ("voltage_indicator_proof", "absent"): ["absent", "not proved", "fail", "No"],
}  # fmt: skip
LABELS = [
    "Boiler",
    "K BOILER",
    "Fire 2",
    "unit heater",
    "HOB/1",
    "Loft",
    "A-101",
    "Plant room, left",
    "Küche",
    "12",
    "0042",
]

HEADINGS = {
    "memory": ["Memory", "Mem No", "Memory no.", "Slot", "Record", "Rec No", "No.", "Record number", "#", "Mem. slot",
               "Store"],
    "date": ["Date", "Test date", "Date of test", "Day"],
    "time": ["Time", "Test time", "Clock", "Time of day"],
    "moment": ["Date/Time", "Timestamp", "Date and time", "When", "Date & Time", "Taken at", "Recorded"],
    "test": ["Test", "Function", "Test type", "Measurement", "Type", "Parameter", "Quantity", "Test name", "What"],
    "value": ["Value", "Result", "Reading", "Measured value", "Test result", "Measured"],
    "unit": ["Unit", "Units", "UoM", "unit"],
    "label": ["Label", "Location", "Appliance", "Tag", "Point", "Test point", "Asset", "Circuit", "Position", "Name",
              "Room"],
    "serial": ["Serial No", "Meter serial", "S/N", "Instrument serial number", "Serial", "Meter S/N"],
    "pair": ["Conductors", "Pair", "Between", "Terminals"],
    "comparator": ["Comparator", "Qualifier", "Op", "Sign"],
    "verdict": ["Pass/Fail", "P/F", "Verdict", "Status"],
    "other": ["Comment", "Engineer", "Limit", "Temp (°C)", "Max Zs (Ω)", "PFC (kA)", "Notes", "Battery"],
}  # fmt: skip
PREAMBLE_SERIAL = ["Serial number", "Serial No", "Meter serial", "Instrument S/N", "Tester serial no.", "S/N", "Serial"]
FURNITURE = [
    "End of report",
    "--- end ---",
    "Page 1 of 1",
    "Total records: {n}",
    "Printed on 2031-06-01",
    "*** END OF DATA ***",
]
STATISTICS = ["Average", "Mean", "Worst case", "Max", "Minimum", "Total"]
