"use strict";
/* Where a piece of sound was late or missing, from looks at the clocks while it plays. Two clocks of the sound
   against the wall's: the frames taken (currentTime, exact, but taken a buffer at a time) and the frames given
   out (getOutputTimestamp, even, but an estimate where the way to the ear changes). A stumble is what both
   agree on. Under-runs that the browser counts by itself (playbackStats) are stumbles too. */
const Stumbles = (() => {
  const SETTLE_S = 0.5; // a buffer that ran low is filled up again within this: nothing was heard of it
  const SETTLE_LOOKS = 5; // and after a stall every clock has told its new time within these
  const LOOK_BACK_S = 5; // against which clocks of unequal speed do not count
  const DRIFT_SHARE = 0.001;
  const NOISE_S = 0.02; // of what is given out
  const AGREE_S = 0.1; // beyond what was taken late, a change of the way to the ear is no stumble
  const TAKEN_S = 0.2; // what may be taken at a time, also where a browser says it is less (measured: 0.17)
  const STALE_S = 1; // a sound that stands still tells no new time
  const ONE_S = 1.5; // what follows within this belongs to the same stumble
  const DOUBT_S = 0.06; // less than this of what was mostly back in time is what the clocks' noise left of it

  const least = (looks, clock) => Math.min(...looks.map((look) => look[clock]));

  /* buffer_s: what the device takes at a time. look() wants seconds: the wall's, played (of the piece), taken
     and given (both by the sound's clock; given with the wall's time it was told for, or null), missing (the
     browser's own count so far). */
  function watch(buffer_s) {
    const noise = { taken: Math.max(buffer_s, TAKEN_S) + 0.05, given: NOISE_S };
    const found = []; // {at_s, late_s, missing_s}, ordered
    let looks = [];
    let counted = null;

    function note(at_s, kind, length_s) {
      const last = found.at(-1);
      if (last && at_s - last.until_s < ONE_S) {
        last[kind] += length_s;
        last.until_s = Math.max(last.until_s, at_s);
      } else found.push({ at_s, until_s: at_s, late_s: 0, missing_s: 0, [kind]: length_s });
    }

    function look({ wall, played, taken, given, missing }) {
      if (counted !== null && missing > counted) note(played, "missing_s", missing - counted);
      counted = missing;
      const now = { wall, played, taken: wall - taken, given: null };
      if (given) now.given = Math.max(given.wall, wall - STALE_S) - given.at;
      looks.push(now);
      const settling = Math.max(looks.filter((one) => one.wall > wall - SETTLE_S).length, SETTLE_LOOKS);
      const recent = looks.slice(-settling);
      let before = looks.slice(0, -settling);
      before = before.filter((one, i) => i === before.length - 1 || one.wall > wall - LOOK_BACK_S);
      looks = [...before, ...recent];
      if (!before.length) return;
      const drift = DRIFT_SHARE * (wall - before[0].wall);
      const grown = (clock) => least(recent, clock) - least(before, clock) - drift;
      const told = looks.every((one) => one.given !== null);
      const late = told ? Math.min(grown("given"), grown("taken") + AGREE_S) : grown("taken");
      const least_s = told ? noise.given : noise.taken;
      const given_s = told ? grown("given") : 0;
      if (late > least_s) {
        note(before.at(-1).played, "late_s", late);
        settle(before, late, given_s);
      } else if (-late > least_s) settle(before, -takeBack(-late), given_s);
    }

    /* What was noted, or is no stumble, is not looked at again. */
    function settle(some, taken_s, given_s) {
      for (const one of some) {
        one.taken += taken_s;
        if (one.given !== null) one.given += given_s;
      }
    }

    /* Sound that is back in time was never late: a busy browser only told its time late. */
    function takeBack(amount_s) {
      let left = amount_s;
      for (const one of [...found].reverse()) {
        const part = Math.min(one.late_s, left);
        one.late_s -= part;
        one.doubted ||= part > 0;
        left -= part;
      }
      return amount_s - left;
    }

    const lengths = () => found
      .map(({ at_s, late_s, missing_s, doubted }) => {
        const late = doubted && late_s < DOUBT_S ? 0 : late_s;
        return { at_s, length_s: Math.max(late, missing_s) };
      })
      .filter((one) => one.length_s > NOISE_S / 2);

    return {
      look,
      all: () => lengths().map(({ at_s, length_s }) => ({ at_s: round(at_s), length_s: round(length_s) })),
      late_s: () => round(lengths().reduce((sum, one) => sum + one.length_s, 0)),
      stoodStill: () => found.reduce((sum, one) => sum + one.late_s - one.missing_s, 0) >= 0,
    };
  }

  const round = (seconds) => Math.round(seconds * 1000) / 1000;

  return { watch };
})();
