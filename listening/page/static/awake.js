"use strict";
/* What keeps a device awake, and its sound alive, while a form plays: a wake lock where the browser has one (it
   wants a secure context), else, on a device that locks by itself, a media element that loops silence beside
   the sound. A browser keeps a page that plays such an element, and its other sound, alive when the screen
   goes dark. */
const Awake = (() => {
  const RATE = 8000;
  const SILENCE_S = 10; // shorter ones are taken for a signal sound

  const touched = () => window.matchMedia("(pointer: coarse)").matches;
  const lockable = () => "wakeLock" in navigator;

  /* What the listener has to see to; "" where the page can. */
  function advice() {
    if (!touched()) return "";
    if (lockable()) return "Keep this page in front until a form has ended.";
    return "Keep this page in front, and turn the device's automatic lock off until the round is done.";
  }

  /* RIFF WAVE, 8 bit, mono (Multimedia Programming Interface and Data Specifications 1.0, 1991). */
  function silence() {
    const size = RATE * SILENCE_S;
    const view = new DataView(new ArrayBuffer(44 + size));
    const text = (at, word) => [...word].forEach((c, i) => view.setUint8(at + i, c.charCodeAt(0)));
    text(0, "RIFF");
    view.setUint32(4, 36 + size, true);
    text(8, "WAVEfmt ");
    view.setUint32(16, 16, true);
    view.setUint16(20, 1, true); // PCM
    view.setUint16(22, 1, true);
    view.setUint32(24, RATE, true);
    view.setUint32(28, RATE, true);
    view.setUint16(32, 1, true);
    view.setUint16(34, 8, true);
    text(36, "data");
    view.setUint32(40, size, true);
    new Uint8Array(view.buffer, 44).fill(128);
    return URL.createObjectURL(new Blob([view.buffer], { type: "audio/wav" }));
  }

  /* The keys of a headset and of a lock screen must not seek, and what they stop would not be the form. */
  function quietKeys(session, on) {
    for (const action of ["play", "pause", "stop", "seekbackward", "seekforward", "seekto", "previoustrack", "nexttrack"]) {
      try {
        session.setActionHandler(action, on ? () => {} : null);
      } catch {
        // a key that this browser does not know
      }
    }
  }

  function loop() {
    const element = document.createElement("audio");
    const url = silence();
    element.src = url;
    element.loop = true;
    element.id = "awake";
    document.body.append(element);
    element.play().catch(() => {});
    if (navigator.mediaSession) quietKeys(navigator.mediaSession, true);
    return () => {
      element.pause();
      element.remove();
      URL.revokeObjectURL(url);
      if (navigator.mediaSession) quietKeys(navigator.mediaSession, false);
    };
  }

  function lock() {
    let held = null;
    let over = false;
    const ask = () => {
      if (over || document.visibilityState !== "visible") return;
      held = navigator.wakeLock.request("screen").catch(() => null); // low battery: not given
    };
    ask();
    document.addEventListener("visibilitychange", ask); // a hidden page loses it
    return () => {
      over = true;
      document.removeEventListener("visibilitychange", ask);
      held?.then((one) => one?.release());
    };
  }

  /* Call it within the listener's press; what it returns lets go. */
  function keep() {
    if (lockable()) return lock();
    return touched() ? loop() : () => {};
  }

  return { keep, advice };
})();
