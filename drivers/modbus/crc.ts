/** CRC-16 of Modbus RTU: x^16 + x^15 + x^2 + 1 reflected (0xA001), start 0xFFFF, low byte sent first (Modbus over Serial Line V1.02, 6.2.2). */

/** Remainders of the 256 byte values. */
const table = Uint16Array.from({ length: 256 }, (_, byte) => {
  let remainder = byte;
  for (let bit = 0; bit < 8; bit++) {
    remainder = remainder & 1 ? (remainder >>> 1) ^ 0xa001 : remainder >>> 1;
  }
  return remainder;
});

/** CRC of `bytes[from..to)`. Over a frame with its own two CRC bytes the result is 0. */
export function crc16(bytes: Uint8Array, from = 0, to: number = bytes.length): number {
  let crc = 0xffff;
  for (let i = from; i < to; i++) crc = (crc >>> 8) ^ table[(crc ^ bytes[i]!) & 0xff]!;
  return crc;
}
