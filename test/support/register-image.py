"""Register images of every type and word order, made by Python's struct: register-image.py FILE.

FILE gets "ADDRESS VALUE" lines for a slave's holding registers; the standard output gets one JSON list of
{id, address, type, wordOrder, bit, bits, value}: where a master finds what.
"""

import json
import struct
import sys

# struct's letters: big-endian, ABCD.
NUMBERS = {
    "int16": ("h", [-32768, -2, 12345]),
    "uint16": ("H", [0, 40000, 65535]),
    "int32": ("i", [-2147483648, -123456789, 2147483647]),
    "uint32": ("I", [0x01020304, 4294967295]),
    "float32": ("f", [1.0, -123.456, 3.4028234663852886e38, 1e-42]),
    "int64": ("q", [-9223372036854775808, -1234567890123456789, 9007199254740993]),
    "uint64": ("Q", [0x0102030405060708, 18446744073709551615]),
    "float64": ("d", [3.141592653589793, -1e300, 5e-324]),
}
DIGITS = {"bcd16": "4711", "bcd32": "01234567", "bcd64": "9876543210123456"}
ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")
FIELDS = [("uint16", 4, 5), ("int16", 3, 6), ("uint32", 13, 11), ("int32", 9, 15)]


def registers(data: bytes, order: str) -> list[int]:
    words = [data[at : at + 2] for at in range(0, len(data), 2)]
    if order in ("CDAB", "DCBA"):
        words.reverse()
    if order in ("BADC", "DCBA"):
        words = [word[::-1] for word in words]
    return [int.from_bytes(word, "big") for word in words]


cases, image = [], []


def place(kind: str, order: str, data: bytes, value: float, bit: int | None = None, field=None) -> None:
    address = 2000 + len(image)
    image.extend(registers(data, order))
    bits = None if field is None else {"offset": field[0], "width": field[1]}
    cases.append(
        {"id": f"{kind} {order} {address}", "address": address, "type": kind, "wordOrder": order}
        | {"bit": bit, "bits": bits, "value": value}
    )


for order in ORDERS:
    for kind, (letter, values) in NUMBERS.items():
        for value in values:
            data = struct.pack(">" + letter, value)
            place(kind, order, data, float(struct.unpack(">" + letter, data)[0]))
    for kind, digits in DIGITS.items():
        place(kind, order, bytes.fromhex(digits), float(int(digits)))
    for bit in (0, 7, 8, 15):
        place("uint16", order, struct.pack(">H", 0b1000_0001_0000_0000), float(bit in (8, 15)), bit=bit)
    for kind, offset, width in FIELDS:
        whole = 0xA5C3 if kind.endswith("16") else 0xA5C3_9E71
        # The field as a text of binary digits, by eye: no shifts and masks as the decoder has them.
        text = format(whole, "032b" if kind.endswith("32") else "016b")
        field = text[len(text) - offset - width : len(text) - offset]
        value = int(field, 2) - (2**width if kind.startswith("int") and field[0] == "1" else 0)
        data = struct.pack(">I" if kind.endswith("32") else ">H", whole)
        place(kind, order, data, float(value), field=(offset, width))

with open(sys.argv[1], "w", encoding="ascii") as file:
    file.writelines(f"{2000 + n} {value}\n" for n, value in enumerate(image))
print(json.dumps(cases))
