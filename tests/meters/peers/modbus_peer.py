"""A Modbus RTU server of the package pymodbus in a process of its own, on a serial port.

Usage: python modbus_peer.py PORT RECORDS. Prints "ready" when it serves.
"""

from __future__ import annotations

import asyncio
import sys

from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice


def registers(records: int) -> list[int]:
    """Address 0: count. From 10: serial number. From 100: records of six registers."""
    image = [records] + [0] * 9
    image += [int.from_bytes(b"PM-77   "[at : at + 2], "big") for at in range(0, 8, 2)] + [0] * 86
    for number in range(1, records + 1):
        value = 23_000 + number
        # number, value (low word first), seconds since 1970 (low word first), test
        seconds = 1_932_883_200 + 60 * number
        image += [number, value & 0xFFFF, value >> 16, seconds & 0xFFFF, seconds >> 16, 1]
    return image


async def main() -> None:
    """Serve until killed."""
    device = SimDevice(7, simdata=[SimData(0, values=registers(int(sys.argv[2])), datatype=DataType.REGISTERS)])
    server = ModbusSerialServer(device, framer=FramerType.RTU, port=sys.argv[1], baudrate=19200)
    task = asyncio.ensure_future(server.serve_forever(background=True))
    await task
    print("ready", flush=True)
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main())
