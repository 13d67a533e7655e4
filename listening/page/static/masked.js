"use strict";
/* A form's sound comes masked, so that what was fetched tells nothing of a form before it is heard: at one size for
   all, its own length first, then the file, then zeros, under a stream of pseudo-random words (masked.py has the
   same). */
const Masked = (() => {
  const LENGTH_BYTES = 4;

  /* The file in `bytes` (an ArrayBuffer, which is taken over). */
  function unmask(bytes, key) {
    const words = new Uint32Array(bytes);
    let counted = key;
    for (let i = 0; i < words.length; i += 1) {
      let mixed = counted;
      mixed = Math.imul(mixed ^ (mixed >>> 16), 0x85ebca6b);
      mixed = Math.imul(mixed ^ (mixed >>> 13), 0xc2b2ae35);
      words[i] ^= mixed ^ (mixed >>> 16);
      counted = (counted + 0x9e3779b1) | 0;
    }
    return bytes.slice(LENGTH_BYTES, LENGTH_BYTES + words[0]);
  }

  return { unmask };
})();
