"use strict";
(() => {
  /* on a phone sections are closed until they are wanted; what a link leads to opens */
  if (matchMedia("(max-width: 40rem)").matches)
    for (const part of document.querySelectorAll("details.section")) part.open = false;
  const unfold = () => {
    const there = location.hash && document.getElementById(location.hash.slice(1));
    const part = there && (there.closest("details") || there.querySelector("details.section"));
    if (part) { part.open = true; there.scrollIntoView(); }
  };
  addEventListener("hashchange", unfold);
  unfold();

  const panel = document.getElementById("player");
  if (!panel) return;
  const [title, place, time, stop, fault] = ["form", "place", "time", "stop", "fault"].map((n) => document.getElementById("player-" + n));
  const sound = new Audio();
  const addresses = new Map();
  let number = null, road = null, lines = [], rows = [];

  const address = (n, source) => {
    if (!source.startsWith("data:")) return source;
    if (!addresses.has(n)) { /* kept inside the page: a file of the browser's once it is wanted */
      const text = atob(document.getElementById("sound-" + n).textContent);
      const bytes = Uint8Array.from(text, (c) => c.charCodeAt(0));
      addresses.set(n, URL.createObjectURL(new Blob([bytes], { type: source.slice(5) })));
    }
    return addresses.get(n);
  };
  const clock = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;
  const show = () => {
    const now = sound.currentTime + 0.02;
    const bar = Math.max(lines.filter((line) => line <= now).length, 1);
    place.textContent = `bar ${bar} of ${lines.length}`;
    time.textContent = clock(now) + (sound.duration ? ` of ${clock(sound.duration)}` : "");
    const row = rows.filter((r) => Number(r.dataset.at) <= now).at(-1) || rows[0];
    for (const other of document.querySelectorAll("tr.sounding")) if (other.dataset.part !== row.dataset.part || other.dataset.form !== number) other.classList.remove("sounding");
    for (const same of document.querySelectorAll(`tr[data-form="${number}"][data-part="${row.dataset.part}"]`)) same.classList.add("sounding");
    stop.textContent = sound.paused ? "Go on" : "Stop";
  };
  const hear = (n, at_s) => {
    if (n !== number) {
      number = n;
      road = document.getElementById("form-" + n);
      lines = road.dataset.lines.split(" ").map(Number);
      rows = [...road.querySelectorAll("tr[data-at]")];
      title.textContent = `“${road.dataset.name}”`;
      sound.src = address(n, road.dataset.src);
    }
    fault.hidden = true;
    panel.hidden = false;
    sound.currentTime = at_s;
    sound.play().catch(() => {});
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button.hear");
    if (button) hear(button.dataset.form, Number(button.dataset.at));
  });
  stop.addEventListener("click", () => (sound.paused ? sound.play().catch(() => {}) : sound.pause()));
  for (const moment of ["timeupdate", "play", "pause", "seeked", "ended", "loadedmetadata"]) sound.addEventListener(moment, show);
  sound.addEventListener("error", () => {
    fault.textContent = "Its sound is not here: keep the folder audio beside this page, or write the report anew.";
    fault.hidden = false;
  });
})();
