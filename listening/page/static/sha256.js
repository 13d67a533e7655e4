"use strict";
/* SHA-256 (FIPS 180-4) of a text's UTF-8 bytes, as hexadecimal. A page opened from disk may have no
   crypto.subtle, so the sum that finds damage is computed here. */
const sha256 = (() => {
  const primes = [];
  for (let n = 2; primes.length < 64; n += 1) if (primes.every((p) => n % p)) primes.push(n);
  const fraction = (x) => Math.floor((x - Math.floor(x)) * 2 ** 32) >>> 0;
  const START = primes.slice(0, 8).map((p) => fraction(Math.sqrt(p)));
  const K = primes.map((p) => fraction(Math.cbrt(p)));
  const turn = (x, n) => (x >>> n) | (x << (32 - n));

  function padded(text) {
    const bytes = new TextEncoder().encode(text);
    const whole = new Uint8Array(Math.ceil((bytes.length + 9) / 64) * 64);
    whole.set(bytes);
    whole[bytes.length] = 0x80;
    const view = new DataView(whole.buffer);
    view.setUint32(whole.length - 8, Math.floor(bytes.length / 2 ** 29));
    view.setUint32(whole.length - 4, (bytes.length << 3) >>> 0);
    return view;
  }

  function round(state, w) {
    let [a, b, c, d, e, f, g, h] = state;
    for (let i = 0; i < 64; i += 1) {
      const s1 = turn(e, 6) ^ turn(e, 11) ^ turn(e, 25);
      const t1 = (h + s1 + ((e & f) ^ (~e & g)) + K[i] + w[i]) | 0;
      const s0 = turn(a, 2) ^ turn(a, 13) ^ turn(a, 22);
      const t2 = (s0 + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      [h, g, f, e, d, c, b, a] = [g, f, e, (d + t1) | 0, c, b, a, (t1 + t2) | 0];
    }
    return [a, b, c, d, e, f, g, h].map((x, i) => (x + state[i]) | 0);
  }

  return (text) => {
    const view = padded(text);
    const w = new Int32Array(64);
    let state = START;
    for (let at = 0; at < view.byteLength; at += 64) {
      for (let i = 0; i < 16; i += 1) w[i] = view.getInt32(at + 4 * i);
      for (let i = 16; i < 64; i += 1) {
        const s0 = turn(w[i - 15], 7) ^ turn(w[i - 15], 18) ^ (w[i - 15] >>> 3);
        const s1 = turn(w[i - 2], 17) ^ turn(w[i - 2], 19) ^ (w[i - 2] >>> 10);
        w[i] = (w[i - 16] + s0 + w[i - 7] + s1) | 0;
      }
      state = round(state, w);
    }
    return state.map((x) => (x >>> 0).toString(16).padStart(8, "0")).join("");
  };
})();
