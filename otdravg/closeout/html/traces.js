// The shots: packed as base64 of deflate, unpacked one fibre at a time when it is opened.
// They stand at the end of the file, so that map and list are there before them.
const whole = new Promise((read) => {
  if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", read);
  else read();
});

const traces = {
  packed: null,

  async find(row) {
    if (!this.packed) {
      await whole;
      this.packed = JSON.parse(document.getElementById("trace-data").textContent);
    }
    return this.packed[row.cable + "/" + row.fibre + "/" + row.wavelength_nm] || null;
  },

  async open(row) {
    const pair = await this.find(row);
    if (!pair) return null;
    if (typeof DecompressionStream === "undefined") throw new Error(say("console_no_unpack"));
    return {
      length: pair.length_m,
      attenuation: pair.attenuation_db_per_km || 0,
      ab: await unpacked(pair.ab),
      ba: await unpacked(pair.ba),
    };
  },
};

// Three series per shot (lowest, highest, mean of each bin), or one where every point is kept.
// Bytes: low byte of all values, then their high bytes; the lowest as zigzag of differences.
async function unpacked(shot) {
  const raw = Uint8Array.from(atob(shot.data), (sign) => sign.charCodeAt(0));
  const stream = new Blob([raw]).stream().pipeThrough(new DecompressionStream("deflate"));
  const bytes = new Uint8Array(await new Response(stream).arrayBuffer());
  const count = shot.count;
  const word = (series, k) => bytes[2 * series * count + k]
    + 256 * bytes[(2 * series + 1) * count + k];
  const below = new Uint16Array(count);
  for (let k = 0, sum = 0; k < count; k += 1) {
    const folded = word(0, k);
    sum += (folded >>> 1) ^ -(folded & 1);
    below[k] = sum;       // modulo 65536, as it was packed
  }
  const low = new Float64Array(count), high = new Float64Array(count);
  const mean = new Float64Array(count);
  for (let k = 0; k < count; k += 1) {
    low[k] = (shot.top_mdb - below[k]) / 1000;
    high[k] = shot.full ? low[k] : low[k] + word(1, k) / 1000;
    mean[k] = shot.full ? low[k] : low[k] + word(2, k) / 1000;
  }
  return { first: shot.first_m, step: shot.step_m, count, low, high, mean, full: shot.full };
}

// Mean level of a shot at a position, between the middles of two bins; NaN outside.
function levelAt(shot, z) {
  const place = (z - shot.first) / shot.step - 0.5;
  const k = Math.floor(place);
  if (k < 0 || k + 1 >= shot.count) return NaN;
  return shot.mean[k] + (place - k) * (shot.mean[k + 1] - shot.mean[k]);
}
