"""A Modbus RTU slave made of pymodbus: modbus-slave.py PATH BAUD UNIT. Values as in modbus-slave.c."""

import asyncio
import sys

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.server import StartAsyncSerialServer
from pymodbus.transaction import ModbusRtuFramer

SIZE = 5000


async def main() -> None:
    path, baud, unit = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    slave = ModbusSlaveContext(
        hr=ModbusSequentialDataBlock(0, list(range(SIZE))),
        ir=ModbusSequentialDataBlock(0, [n + 20000 for n in range(SIZE)]),
        co=ModbusSequentialDataBlock(0, [bool(n // 3 & 1) for n in range(SIZE)]),
        di=ModbusSequentialDataBlock(0, [bool(n // 5 & 1) for n in range(SIZE)]),
        zero_mode=True,
    )
    context = ModbusServerContext(slaves={unit: slave}, single=False)
    server = asyncio.create_task(
        StartAsyncSerialServer(
            context=context, framer=ModbusRtuFramer, port=path, baudrate=baud, bytesize=8, parity="N", stopbits=2
        )
    )
    await asyncio.sleep(0.3)
    print("ready", flush=True)
    await server


asyncio.run(main())
