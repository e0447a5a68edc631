// CRC-32 as in ISO/IEC/IEEE 8802-3, of a text in UTF-8, as eight hex figures.
export function crc32(text) {
  let rest = 0xffffffff;
  for (const byte of new TextEncoder().encode(text)) {
    rest ^= byte;
    for (let bit = 0; bit < 8; bit += 1) rest = (rest >>> 1) ^ (rest & 1 ? 0xedb88320 : 0);
  }
  return ((rest ^ 0xffffffff) >>> 0).toString(16).padStart(8, "0");
}
