"""Modbus devices by pymodbus: `tcp PORT` or `rtu PORT-PATH BAUD PARITY`, then the unit ids.

Every unit has the same registers, holding and input alike:
  0-1    how many requests for register 0 the unit has answered, 32 bits, high word first
  10-    known values in every width and order, written by Python's struct (see VALUES)
  90-91  words a probe may call "no value"
  200-   not there: exception 2
and coils and discrete inputs 0-7: 1 0 1 1 0 0 1 0.

Each answer to a request for register 0 is written to standard output as `answered UNIT COUNTER`.
"""

import asyncio
import struct
import sys

from pymodbus import FramerType, ModbusDeviceIdentification
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

# address, struct format of the number high byte first, number, order of bytes and words
VALUES = [
    (10, "H", 4660, "ABCD"),
    (11, "h", -2, "ABCD"),
    (12, "H", 4660, "BADC"),
    (20, "I", 3_000_000_000, "ABCD"),
    (22, "I", 3_000_000_000, "CDAB"),
    (24, "I", 3_000_000_000, "BADC"),
    (26, "I", 3_000_000_000, "DCBA"),
    (30, "i", -100_000, "ABCD"),
    (32, "i", -100_000, "CDAB"),
    (40, "f", 21.5, "ABCD"),
    (42, "f", 21.5, "CDAB"),
    (44, "f", 21.5, "BADC"),
    (46, "f", 21.5, "DCBA"),
    (50, "q", -5_000_000_000, "ABCD"),
    (54, "Q", 9_000_000_000_000, "CDAB"),
    (60, "d", 8.71, "ABCD"),
    (64, "d", 8.71, "CDAB"),
    (68, "d", 8.71, "BADC"),
    (72, "d", 8.71, "DCBA"),
]
# Device Identification (function 43/14)
IDENTITY = ModbusDeviceIdentification(
    info={0: b"Example Sensors", 1: b"EX-4", 2: b"1.2"}
)
NO_VALUE = {90: 0x8000, 91: 0xFFFF}
REGISTERS = 200
BITS = [True, False, True, True, False, False, True, False]


def words(form, number, order):
    """The words of a number as the device sends them."""
    data = struct.pack(">" + form, number)
    pairs = [data[i : i + 2] for i in range(0, len(data), 2)]
    if order in ("CDAB", "DCBA"):
        pairs.reverse()
    if order in ("BADC", "DCBA"):
        pairs = [pair[::-1] for pair in pairs]
    return [int.from_bytes(pair, "big") for pair in pairs]


def registers():
    table = [0] * REGISTERS
    for address, form, number, order in VALUES:
        for offset, word in enumerate(words(form, number, order)):
            table[address + offset] = word
    for address, word in NO_VALUE.items():
        table[address] = word
    return table


def device(unit):
    counter = 0

    async def answer(function, start, address, _count, current, _written):
        nonlocal counter
        if function in (3, 4) and address == 0:
            counter += 1
            current[0 - start] = counter >> 16
            current[1 - start] = counter & 0xFFFF
            print(f"answered {unit} {counter}", flush=True)

    bits = [SimData(0, values=BITS, datatype=DataType.BITS)]
    words16 = [SimData(0, values=registers(), datatype=DataType.REGISTERS)]
    return SimDevice(unit, (bits, bits, words16, words16), action=answer)


async def main(kind, *rest):
    if kind == "tcp":
        port, *units = rest
        devices = [device(int(unit)) for unit in units]
        await StartAsyncTcpServer(devices, address=("127.0.0.1", int(port)), identity=IDENTITY)
    else:
        port, baud, parity, *units = rest
        devices = [device(int(unit)) for unit in units]
        await StartAsyncSerialServer(
            devices,
            identity=IDENTITY,
            framer=FramerType.RTU,
            port=port,
            baudrate=int(baud),
            parity=parity,
            stopbits=1 if parity != "N" else 2,
        )


asyncio.run(main(*sys.argv[1:]))
