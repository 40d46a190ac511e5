"""An instrument nobody has a manual of, made of pymodbus: unknown-slave.py PATH BAUD UNIT.

Input registers 6 and 7 hold a pressure in bar as float32, low word first, renewed 10 times a second; holding 20 a
temperature in tenths of a degree; holding 21 a counter of seconds. Nothing else answers below 64 but zeros.
"""

import asyncio
import math
import struct
import sys
import time

from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.device import ModbusDeviceIdentification
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.transaction import ModbusRtuFramer

START = time.monotonic()


class Live(ModbusSparseDataBlock):
    """Values computed when they are read."""

    def __init__(self, compute, count):
        super().__init__({n: 0 for n in range(count)})
        self.compute = compute

    def getValues(self, address, count=1):
        now = time.monotonic() - START
        return [self.compute(address + n, now) for n in range(count)]


def input_register(address, now):
    if address not in (6, 7):
        return 0
    step = math.floor(now * 10) / 10
    high, low = struct.unpack(">HH", struct.pack(">f", 4.2 + 0.3 * math.sin(step)))
    return low if address == 6 else high


def holding_register(address, now):
    return {20: 183, 21: int(now) & 0xFFFF}.get(address, 0)


async def main() -> None:
    where, baud, unit = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    slave = ModbusSlaveContext(
        ir=Live(input_register, 16), hr=Live(holding_register, 40), zero_mode=True
    )
    context = ModbusServerContext(slaves={unit: slave}, single=False)
    identity = ModbusDeviceIdentification(
        info_name={"VendorName": "Invented", "ProductCode": "TX-4", "MajorMinorRevision": "1.02"}
    )
    if where.isdigit():
        server = StartAsyncTcpServer(context=context, identity=identity, address=("127.0.0.1", int(where)))
    else:
        server = StartAsyncSerialServer(
            context=context, identity=identity, framer=ModbusRtuFramer, port=where, baudrate=baud,
            bytesize=8, parity="N", stopbits=2,
        )
    task = asyncio.create_task(server)
    await asyncio.sleep(0.3)
    print("ready", flush=True)
    await task


asyncio.run(main())
