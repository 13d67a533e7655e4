"use strict";
/* One piece of sound, whole, in real time: decoded at its own rate and played by a source that nothing
   outside this file can reach, so it cannot be moved, paused or hurried. */
const Sound = (() => {
  const BUFFER_S = 0.2; // asked for: a busy machine then seldom breaks the sound up (browsers give up to 0.17)
  const LEAD_S = 0.1; // between the command and the first frame
  const STILL_S = 10; // a sound that stands still for so long will not go on
  const START_S = 5; // a device that has not begun by then never will
  const STEADY_S = 0.3; // a device that slept takes a first piece and then stands still until it is open
  const UNSTEADY_S = 0.15; // both beside four, and two, of the device's buffers
  const TAIL_S = 0.6; // devices play on for their latency after the last frame was handed over
  const TICK_MS = 100;
  const BEAT_S = 5;

  class NoSound extends Error {}

  async function decode(bytes, rate) {
    const Offline = window.OfflineAudioContext || window.webkitOfflineAudioContext;
    try {
      const buffer = await new Offline(1, 1, rate).decodeAudioData(bytes);
      if (buffer.sampleRate !== rate) throw new Error("rate");
      return buffer;
    } catch {
      throw new NoSound("This browser cannot play the song's sound as it is; please try another browser.");
    }
  }

  function open(rate) {
    if (navigator.audioSession) navigator.audioSession.type = "playback"; // not silenced by a mute switch
    const Context = window.AudioContext || window.webkitAudioContext;
    let context = null;
    try {
      context = new Context({ sampleRate: rate, latencyHint: BUFFER_S });
    } catch {
      context = null;
    }
    if (!context || context.sampleRate !== rate) {
      throw new NoSound("This browser cannot play sound at the song's own rate; please try another browser.");
    }
    return context;
  }

  const wall = () => performance.now() / 1000;

  /* Resolves once the device takes sound in step with the wall clock; a page that is not allowed to play
     never gets there. */
  async function running(context) {
    const asked = wall();
    const buffer_s = context.baseLatency || 0;
    let since = asked;
    let from = context.currentTime;
    for (;;) {
      const taken = context.currentTime - from;
      if (context.state !== "running" || wall() - since - taken > UNSTEADY_S + 2 * buffer_s) {
        since = wall();
        from = context.currentTime;
      } else if (taken >= STEADY_S + 4 * buffer_s) return true;
      if (wall() - asked > START_S) return false;
      await new Promise((resolve) => setTimeout(resolve, 10));
    }
  }

  const missing_s = (context) => (context.playbackStats ? context.playbackStats.underrunDuration || 0 : 0);

  /* What was given out, and when by the wall's clock; null where the browser does not tell. */
  function given(context) {
    const told = context.getOutputTimestamp ? context.getOutputTimestamp() : null;
    return told && told.performanceTime > 0 ? { at: told.contextTime, wall: told.performanceTime / 1000 } : null;
  }

  /* A piece that is ready to be heard once. ready() must be called by a person's press; play() resolves with
     {heard_s, reason, late_s, stumbles, topAt, endedAt, endedDate}; reason is null when it was played to its
     end. `bytes` are taken over. */
  async function prepare(bytes, rate) {
    let buffer = await decode(bytes, rate);
    const { duration } = buffer;
    let context = null;
    let top = 0;
    let over = null;

    const at = () => (top ? Math.min(Math.max(context.currentTime - top, 0), duration) : 0);

    function ready() {
      context = open(rate);
      context.resume();
    }

    function heardAt() {
      const late = context.outputLatency || context.baseLatency || 0;
      return Math.max(at() - late, 0);
    }

    /* Plays it whole; gives up when more than `most_late_s` came late. */
    function play({ most_late_s = STILL_S, beat = () => {} } = {}) {
      return new Promise((resolve) => {
        let source = context.createBufferSource();
        source.buffer = buffer;
        buffer = null; // heard once; hundreds of megabytes must not wait for what comes next
        source.connect(context.destination);
        const stumbles = Stumbles.watch(context.baseLatency || 0);
        let ticking = null;
        let base = null; // when the first frame would have been played, by the wall clock
        let beaten = 0;

        const look = () => {
          const before = wall(); // a busy machine may stand still between two lines
          const taken = context.currentTime;
          base ??= wall() - (taken - top);
          stumbles.look({ wall: before, played: at(), taken, given: given(context), missing: missing_s(context) });
        };

        const finish = (reason) => {
          if (over === null) return;
          over = null;
          const late = reason === null ? Math.max(context.currentTime - top - duration, 0) : 0; // a busy page
          const report = {
            heard_s: reason === null ? duration : at(), reason, topAt: base ?? wall(),
            endedAt: wall() - late, endedDate: Date.now() / 1000 - late,
          };
          source.onended = null;
          if (reason !== null && top) source.stop();
          source = null;
          setTimeout(() => {
            clearInterval(ticking);
            context.onstatechange = null;
            context.close();
            resolve({ ...report, late_s: stumbles.late_s(), stumbles: stumbles.all() });
          }, reason === null ? (TAIL_S + (context.outputLatency || 0)) * 1000 : 0);
        };
        over = finish;

        const tick = () => {
          look();
          if (over === null) return; // the device plays on for its latency
          if (stumbles.late_s() > most_late_s) finish(stumbles.stoodStill() ? "paused" : "broke");
          else if (at() - beaten >= BEAT_S) {
            beaten = at();
            beat(at());
          }
        };

        running(context).then((runs) => {
          if (over === null) return; // stopped before it began
          if (!runs) {
            finish("paused");
            return;
          }
          top = context.currentTime + LEAD_S;
          source.start(top);
          source.onended = () => {
            look();
            finish(at() >= duration - 0.05 ? null : "paused");
          };
          context.onstatechange = () => {
            if (context.state !== "running" && context.state !== "closed") context.resume().catch(() => {});
          };
          tick();
          ticking = setInterval(tick, TICK_MS);
        });
      });
    }

    return {
      ready,
      play,
      heardAt,
      forget: () => {
        if (context && over === null && context.state !== "closed") context.close();
        buffer = null;
      },
      stop: (reason) => {
        if (over !== null) over(reason);
      },
      playing: () => over !== null,
    };
  }

  return { prepare, NoSound };
})();
