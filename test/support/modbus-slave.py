"""A Modbus slave made of pymodbus: modbus-slave.py PATH BAUD UNIT [IMAGE]. Ports, values and image as in modbus-slave.c."""

import asyncio
import sys

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.transaction import ModbusRtuFramer

SIZE = 5000


async def main() -> None:
    path, baud, unit = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    holding = list(range(SIZE))
    if len(sys.argv) > 4:
        with open(sys.argv[4], encoding="ascii") as image:
            for line in image:
                address, value = line.split()
                holding[int(address)] = int(value)
    slave = ModbusSlaveContext(
        hr=ModbusSequentialDataBlock(0, holding),
        ir=ModbusSequentialDataBlock(0, [n + 20000 for n in range(SIZE)]),
        co=ModbusSequentialDataBlock(0, [bool(n // 3 & 1) for n in range(SIZE)]),
        di=ModbusSequentialDataBlock(0, [bool(n // 5 & 1) for n in range(SIZE)]),
        zero_mode=True,
    )
    context = ModbusServerContext(slaves={unit: slave}, single=False)
    if path.startswith("tcp:"):
        serving = StartAsyncTcpServer(context=context, address=("127.0.0.1", int(path[4:])))
    else:
        serving = StartAsyncSerialServer(
            context=context, framer=ModbusRtuFramer, port=path, baudrate=baud, bytesize=8, parity="N", stopbits=2
        )
    server = asyncio.create_task(serving)
    await asyncio.sleep(0.3)
    print("ready", flush=True)
    await server


asyncio.run(main())
