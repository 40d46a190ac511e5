"""A Modbus master made of pymodbus: modbus-master.py PATH BAUD UNIT. Ports, input and output as in modbus-master.c."""

import sys

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.file_message import ReadFifoQueueRequest

path, baud, unit = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
if path.startswith("tcp:"):
    client = ModbusTcpClient("127.0.0.1", port=int(path[4:]), timeout=2)
else:
    client = ModbusSerialClient(path, baudrate=baud, bytesize=8, parity="N", stopbits=2, timeout=2)
if not client.connect():
    sys.exit(69)
print("ready", flush=True)


def ask(code: int, n: list[int]):
    match code:
        case 1:
            return client.read_coils(n[0], n[1], slave=unit)
        case 2:
            return client.read_discrete_inputs(n[0], n[1], slave=unit)
        case 3:
            return client.read_holding_registers(n[0], n[1], slave=unit)
        case 4:
            return client.read_input_registers(n[0], n[1], slave=unit)
        case 5:
            return client.write_coil(n[0], n[1] != 0, slave=unit)
        case 6:
            return client.write_register(n[0], n[1], slave=unit)
        case 15:
            return client.write_coils(n[0], [value != 0 for value in n[1:]], slave=unit)
        case 16:
            return client.write_registers(n[0], n[1:], slave=unit)
        case 22:
            return client.mask_write_register(n[0], n[1], n[2], unit=unit)
        case 23:
            return client.readwrite_registers(
                read_address=n[0], read_count=n[1], write_address=n[2], write_registers=n[3:], unit=unit
            )
        case 24:
            return client.execute(ReadFifoQueueRequest(n[0], unit=unit))


for line in sys.stdin:
    code, *numbers = [int(word) for word in line.split()]
    reply = ask(code, numbers)
    if hasattr(reply, "exception_code"):
        print("exception", reply.exception_code, flush=True)
    elif reply.isError():
        print("error", str(reply).replace("\n", " "), flush=True)
    elif code in (1, 2):
        print(*[int(bit) for bit in reply.bits[: numbers[1]]], flush=True)
    elif code in (3, 4, 23):
        print(*reply.registers, flush=True)
    elif code == 24:
        print(*reply.values, flush=True)
    else:
        print("ok", flush=True)
