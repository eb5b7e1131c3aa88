// A text as a QR code (ISO/IEC 18004): bytes, the lowest level of correction, the smallest size that holds it. It gives the
// rows of modules, true where dark; nothing where the text is too long.

// By version, from 1: words of correction a block, and blocks, at level L.
const CORRECTION = [7, 10, 15, 20, 26, 18, 20, 24, 30, 18, 20, 24, 26, 30, 22, 24, 28, 30, 28, 28, 28, 28, 30, 30, 26, 28, 30, 30, 30, 30, 30, 30, 30, 30, 30, 30, 30, 30, 30, 30];
const BLOCKS = [1, 1, 1, 1, 1, 2, 2, 2, 2, 4, 4, 4, 4, 4, 6, 6, 6, 6, 7, 8, 8, 9, 9, 10, 12, 12, 12, 13, 14, 15, 16, 17, 18, 19, 19, 20, 21, 22, 24, 25];

const MASKS = [
  (x, y) => (x + y) % 2,
  (x, y) => y % 2,
  (x) => x % 3,
  (x, y) => (x + y) % 3,
  (x, y) => (Math.floor(x / 3) + Math.floor(y / 2)) % 2,
  (x, y) => ((x * y) % 2) + ((x * y) % 3),
  (x, y) => (((x * y) % 2) + ((x * y) % 3)) % 2,
  (x, y) => (((x + y) % 2) + ((x * y) % 3)) % 2,
];

/** The rows of modules. `only` fixes the mask, from 0 to 7. */
export function code(text, only = null) {
  const bytes = new TextEncoder().encode(text);
  for (let version = 1; version <= 40; version += 1) {
    const count = version < 10 ? 8 : 16;
    if (4 + count + 8 * bytes.length <= 8 * dataWords(version)) return drawn(version, words(version, bytes, count), only);
  }
  return null;
}

/** Modules for data and correction, in words of eight. */
function allWords(version) {
  let bits = (16 * version + 128) * version + 64;
  if (version >= 2) {
    const marks = Math.floor(version / 7) + 2;
    bits -= (25 * marks - 10) * marks - 55;
    if (version >= 7) bits -= 36;
  }
  return Math.floor(bits / 8);
}

const dataWords = (version) => allWords(version) - CORRECTION[version - 1] * BLOCKS[version - 1];

/** The words to draw: data in blocks with their correction, interleaved. */
function words(version, bytes, count) {
  const bits = [];
  const add = (value, length) => {
    for (let nth = length - 1; nth >= 0; nth -= 1) bits.push((value >>> nth) & 1);
  };
  add(4, 4);
  add(bytes.length, count);
  bytes.forEach((byte) => add(byte, 8));
  const room = 8 * dataWords(version);
  add(0, Math.min(4, room - bits.length));
  add(0, (8 - (bits.length % 8)) % 8);
  for (let pad = 0xec; bits.length < room; pad ^= 0xec ^ 0x11) add(pad, 8);
  const data = [];
  for (let nth = 0; nth < bits.length; nth += 8) data.push(parseInt(bits.slice(nth, nth + 8).join(""), 2));
  return interleaved(version, data);
}

function interleaved(version, data) {
  const [blocks, length] = [BLOCKS[version - 1], CORRECTION[version - 1]];
  const short = Math.floor(data.length / blocks);
  const shorts = blocks - (data.length % blocks);
  const divisor = generator(length);
  const parts = [];
  for (let nth = 0, from = 0; nth < blocks; nth += 1) {
    const until = from + short + (nth < shorts ? 0 : 1);
    const part = data.slice(from, until);
    parts.push({ part, rest: remainder(part, divisor) });
    from = until;
  }
  const all = [];
  for (let nth = 0; nth <= short; nth += 1) for (const { part } of parts) if (nth < part.length) all.push(part[nth]);
  for (let nth = 0; nth < length; nth += 1) for (const { rest } of parts) all.push(rest[nth]);
  return all;
}

/** The product in the field of 256 by x^8 + x^4 + x^3 + x^2 + 1. */
function times(a, b) {
  let product = 0;
  for (let nth = 7; nth >= 0; nth -= 1) {
    product = (product << 1) ^ ((product >>> 7) * 0x11d);
    product ^= ((b >>> nth) & 1) * a;
  }
  return product;
}

function generator(degree) {
  const all = new Array(degree).fill(0);
  all[degree - 1] = 1;
  let root = 1;
  for (let nth = 0; nth < degree; nth += 1) {
    for (let at = 0; at < degree; at += 1) {
      all[at] = times(all[at], root);
      if (at + 1 < degree) all[at] ^= all[at + 1];
    }
    root = times(root, 2);
  }
  return all;
}

function remainder(data, divisor) {
  const rest = new Array(divisor.length).fill(0);
  for (const word of data) {
    const factor = word ^ rest.shift();
    rest.push(0);
    divisor.forEach((one, at) => (rest[at] ^= times(one, factor)));
  }
  return rest;
}

function drawn(version, all, only) {
  const size = 4 * version + 17;
  const rows = Array.from({ length: size }, () => new Array(size).fill(false));
  const fixed = Array.from({ length: size }, () => new Array(size).fill(false));
  const set = (x, y, dark) => {
    if (x < 0 || y < 0 || x >= size || y >= size) return;
    rows[y][x] = dark;
    fixed[y][x] = true;
  };
  marks(version, size, set);
  format(size, set, 0);
  fill(size, rows, fixed, all);
  const tried = (only === null ? MASKS.map((_, nth) => nth) : [only]).map((nth) => masked(nth, size, rows, fixed));
  return tried.reduce((best, one) => (penalty(one, size) < penalty(best, size) ? one : best));
}

function marks(version, size, set) {
  for (let nth = 0; nth < size; nth += 1) {
    set(6, nth, nth % 2 === 0);
    set(nth, 6, nth % 2 === 0);
  }
  for (const [x, y] of [[3, 3], [size - 4, 3], [3, size - 4]]) square(x, y, 4, set);
  const places = centres(version, size);
  for (const x of places) for (const y of places) align(x, y, size, set);
  if (version < 7) return;
  let rest = version;
  for (let nth = 0; nth < 12; nth += 1) rest = (rest << 1) ^ ((rest >>> 11) * 0x1f25);
  const bits = (version << 12) | rest;
  for (let nth = 0; nth < 18; nth += 1) {
    const [a, b] = [size - 11 + (nth % 3), Math.floor(nth / 3)];
    set(a, b, ((bits >>> nth) & 1) === 1);
    set(b, a, ((bits >>> nth) & 1) === 1);
  }
}

function square(x, y, reach, set) {
  for (let down = -reach; down <= reach; down += 1)
    for (let right = -reach; right <= reach; right += 1) {
      const ring = Math.max(Math.abs(right), Math.abs(down));
      set(x + right, y + down, ring !== 2 && ring !== 4);
    }
}

/** Not where a corner's large square is. */
function align(x, y, size, set) {
  const isCorner = (x === 6 && y === 6) || (x === 6 && y === size - 7) || (x === size - 7 && y === 6);
  if (isCorner) return;
  for (let down = -2; down <= 2; down += 1)
    for (let right = -2; right <= 2; right += 1) set(x + right, y + down, Math.max(Math.abs(right), Math.abs(down)) !== 1);
}

function centres(version, size) {
  if (version === 1) return [];
  const count = Math.floor(version / 7) + 2;
  const apart = version === 32 ? 26 : Math.ceil((4 * version + 4) / (2 * count - 2)) * 2;
  const places = Array.from({ length: count - 1 }, (_, nth) => size - 7 - nth * apart);
  return [6, ...places.reverse()];
}

/** Level L and the mask, twice. */
function format(size, set, mask) {
  const value = (1 << 3) | mask;
  let rest = value;
  for (let nth = 0; nth < 10; nth += 1) rest = (rest << 1) ^ ((rest >>> 9) * 0x537);
  const bits = ((value << 10) | rest) ^ 0x5412;
  const bit = (nth) => ((bits >>> nth) & 1) === 1;
  for (let nth = 0; nth <= 5; nth += 1) set(8, nth, bit(nth));
  set(8, 7, bit(6));
  set(8, 8, bit(7));
  set(7, 8, bit(8));
  for (let nth = 9; nth < 15; nth += 1) set(14 - nth, 8, bit(nth));
  for (let nth = 0; nth < 8; nth += 1) set(size - 1 - nth, 8, bit(nth));
  for (let nth = 8; nth < 15; nth += 1) set(8, size - 15 + nth, bit(nth));
  set(8, size - 8, true);
}

/** In pairs of columns from the right, up and down. */
function fill(size, rows, fixed, all) {
  let nth = 0;
  for (let right = size - 1; right >= 1; right -= 2) {
    if (right === 6) right = 5;
    for (let step = 0; step < size; step += 1)
      for (let left = 0; left < 2; left += 1) {
        const x = right - left;
        const y = ((right + 1) & 2) === 0 ? size - 1 - step : step;
        if (fixed[y][x] || nth >= all.length * 8) continue;
        rows[y][x] = ((all[nth >>> 3] >>> (7 - (nth & 7))) & 1) === 1;
        nth += 1;
      }
  }
}

function masked(mask, size, rows, fixed) {
  const made = rows.map((row, y) => row.map((dark, x) => dark !== (!fixed[y][x] && MASKS[mask](x, y) === 0)));
  format(size, (x, y, dark) => (made[y][x] = dark), mask);
  return made;
}

/** How hard it is to read: runs, squares, what looks like a corner, too much of one shade. */
function penalty(rows, size) {
  let sum = 0;
  const columns = rows.map((_, x) => rows.map((row) => row[x]));
  for (const line of [...rows, ...columns]) {
    const text = line.map((dark) => (dark ? 1 : 0)).join("");
    for (const run of text.match(/0{5,}|1{5,}/g) ?? []) sum += run.length - 2;
    sum += 40 * (text.match(/(?=10111010000|00001011101)/g) ?? []).length;
  }
  for (let y = 1; y < size; y += 1)
    for (let x = 1; x < size; x += 1) {
      const dark = rows[y][x];
      if (dark === rows[y][x - 1] && dark === rows[y - 1][x] && dark === rows[y - 1][x - 1]) sum += 3;
    }
  const dark = rows.flat().filter(Boolean).length / (size * size);
  return sum + 10 * Math.floor(Math.abs(dark - 0.5) * 20);
}
