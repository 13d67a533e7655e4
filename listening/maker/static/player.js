"use strict";
/* Sound on the maker's page: the study's own samples, as they come from the server, at the song's own rate.
   Pieces are laid end to end on whole frames of the context, so nothing is resampled and nothing slips. */
const Player = (() => {
  const LEAD_S = 0.06; // between the command and the first frame
  const FIRST_S = 1; // the first piece is short: it must sound at once
  const PIECE_S = 4;
  const AHEAD_S = 9; // what is fetched before it is due
  const FADE_FIRST_S = 1.5; // the first sound of a tab comes in slowly
  const EDGE_S = 0.01;

  let context = null;
  let playing = null;
  let heardOnce = false;

  function open(rate) {
    if (context && context.sampleRate === rate && context.state !== "closed") return context;
    if (context) context.close();
    context = new AudioContext({ sampleRate: rate, latencyHint: "playback" });
    return context;
  }

  function bufferOf(bytes, rate, channels) {
    const samples = new Float32Array(bytes);
    const frames = samples.length / channels;
    const buffer = context.createBuffer(channels, Math.max(frames, 1), rate);
    for (let channel = 0; channel < channels; channel += 1) {
      const line = buffer.getChannelData(channel);
      for (let frame = 0; frame < frames; frame += 1) line[frame] = samples[frame * channels + channel];
    }
    return buffer;
  }

  /* piece(offset, frames) -> {bytes, channels, rate}; `frames` null: one piece, as long as it comes.
     ended(reason) is called once: "end", "stopped" or "failed". */
  async function play({ rate, frames, piece, ended }) {
    stop();
    open(rate);
    const mine = { sources: [], over: false, topFrame: 0, rate, ended, gain: context.createGain() };
    playing = mine;
    mine.gain.connect(context.destination);
    context.resume();
    try {
      let offset = 0;
      let length = frames === null ? null : Math.min(Math.round(FIRST_S * rate), frames);
      while (!mine.over && (frames === null || offset < frames)) {
        const came = await piece(offset, length);
        if (mine.over) return;
        const buffer = bufferOf(came.bytes, rate, came.channels);
        if (offset === 0) {
          mine.topFrame = Math.ceil((context.currentTime + LEAD_S) * rate);
          fadeIn(mine);
        }
        if ((mine.topFrame + offset) / rate < context.currentTime) { // it came too late: go on from now
          mine.topFrame = Math.ceil((context.currentTime + LEAD_S) * rate) - offset;
        }
        const source = context.createBufferSource();
        source.buffer = buffer;
        source.connect(mine.gain);
        source.start((mine.topFrame + offset) / rate);
        mine.sources.push(source);
        offset += buffer.length;
        const last = frames === null || offset >= frames;
        if (last) {
          const end = (mine.topFrame + offset) / rate;
          mine.gain.gain.setValueAtTime(1, Math.max(end - EDGE_S, context.currentTime));
          mine.gain.gain.linearRampToValueAtTime(0, end);
          source.onended = () => finish(mine, "end");
          return;
        }
        length = Math.min(Math.round(PIECE_S * rate), frames - offset);
        while (!mine.over && (mine.topFrame + offset) / rate - context.currentTime > AHEAD_S) {
          await new Promise((resolve) => setTimeout(resolve, 200));
        }
      }
    } catch (error) {
      finish(mine, "failed");
      throw error;
    }
  }

  function fadeIn(mine) {
    const top = mine.topFrame / mine.rate;
    mine.gain.gain.setValueAtTime(0, 0);
    mine.gain.gain.setValueAtTime(0, top);
    mine.gain.gain.linearRampToValueAtTime(1, top + (heardOnce ? EDGE_S : FADE_FIRST_S));
    heardOnce = true;
  }

  function finish(mine, reason) {
    if (mine.over) return;
    mine.over = true;
    for (const source of mine.sources) {
      source.onended = null;
      if (reason !== "end") source.stop();
    }
    if (playing === mine) playing = null;
    mine.ended(reason);
  }

  const stop = () => playing && finish(playing, "stopped");

  /* Seconds of the sound that have left the loudspeaker, by the context's clock; null while nothing plays. */
  function heard_s(now = null) {
    if (!playing || !playing.topFrame) return null;
    const late = context.outputLatency || context.baseLatency || 0;
    const at = (now === null ? context.currentTime : now) - playing.topFrame / playing.rate - late;
    return Math.max(at, 0);
  }

  return { play, stop, heard_s, playing: () => playing !== null, wasHeard: () => heardOnce };
})();
