"use strict";
/* The driver of a packet: no server stands behind it. What happens is noted in this browser's storage,
   under this packet's own name, and goes home as a file. */
(() => {
  const packet = JSON.parse(document.getElementById("packet").textContent);
  const PLACE = `fair packet ${packet.drawer}`;
  const PAUSE_MS = 60 * 60 * 1000;
  const LONG_MS = 30 * 60 * 1000;
  const WHY = packet.reasons;
  let memory = null; // holds all where the browser keeps nothing, or has no more room

  function load() {
    let text = memory;
    try {
      text = memory ?? localStorage.getItem(PLACE);
    } catch {
      // nothing was kept
    }
    return text ? JSON.parse(text) : { begun: false, stands: false, listens: [], drafts: {}, sitting: null };
  }

  function warn() {
    const place = document.getElementById("kept");
    const text = "This browser keeps nothing for later: save the answer file before you close the page.";
    if (place.textContent !== text) Screens.notice(text);
    place.textContent = text;
  }

  /* Reads, changes and writes at once, so that two tabs do not undo each other. */
  function change(edit) {
    const data = load();
    const result = edit(data);
    const text = JSON.stringify(data);
    try {
      localStorage.setItem(PLACE, text);
      memory = null;
    } catch {
      memory = text; // newer than what is kept
      warn();
    }
    return result;
  }

  const now = () => new Date().toISOString();
  const counted = (data, place) => data.listens.find((x) => x.place === place && x.ended && !x.reason);
  const overall = (listen) => listen && listen.ratings.findLast((r) => r.aspect === "overall");
  const places = packet.codes.map((_codes, place) => place);

  function closeOpen(data, reason) {
    for (const listen of data.listens) {
      if (!listen.ended) Object.assign(listen, { ended: now(), reason });
    }
  }

  function stateOf(data) {
    const rated = places.filter((place) => overall(counted(data, place)));
    const waiting = places.find((place) => counted(data, place) && !overall(counted(data, place)));
    const done = rated.length === places.length;
    const state = {
      listener: packet.listener, title: packet.title, round: packet.round, drawer: packet.drawer,
      rounds_done: packet.rounds_done + (data.stands ? 1 : 0), rounds_planned: packet.rounds_planned,
      forms_asked: places.length, forms_rated: rated.length, text: rated.length ? "" : packet.text, code: null,
      ratings: [],
    };
    if (!data.begun) state.stage = "ready";
    else if (waiting !== undefined) {
      state.stage = "rate";
      state.code = counted(data, waiting).code;
    } else if (!done) state.stage = "listen";
    else if (!data.stands) {
      state.stage = "review";
      state.ratings = places.map((place) => {
        const listen = counted(data, place);
        return { code: listen.code, overall: overall(listen).value };
      });
    } else state.stage = "done";
    return state;
  }

  function bytesOf(id) {
    const text = atob(document.getElementById(id).textContent.trim());
    const bytes = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i += 1) bytes[i] = text.charCodeAt(i);
    return bytes.buffer;
  }

  function answerFile() {
    const data = load();
    const listens = data.listens
      .filter((x) => x.ended)
      .map(({ code, heard_on, minutes_east, began, ended, heard_s, reason, ratings, comments }) => ({
        code, heard_on, minutes_east, began, ended, heard_s, reason, ratings, comments,
      }));
    const answers = JSON.stringify({ listens });
    return JSON.stringify({
      "fairhearing answers": 1, ticket: packet.ticket, signature: packet.signature, answers, sha256: sha256(answers),
    });
  }

  function save() {
    const link = document.createElement("a");
    const url = URL.createObjectURL(new Blob([answerFile()], { type: "application/json" }));
    link.href = url;
    const name = packet.listener.replace(/[^\p{L}\p{N}_]+/gu, "-").replace(/^-|-$/g, "") || "listener";
    link.download = `answers-${name}-round-${packet.round}.json`;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(url), 60000);
    Screens.notice(`Saved as ${link.download}, where your browser puts downloads.`);
  }

  const driver = {
    async state() {
      return change((data) => {
        closeOpen(data, "left");
        return stateOf(data);
      });
    },
    async enter() {
      change((data) => {
        data.begun = true;
      });
    },
    level: async () => ({ ticket: "", rate: packet.rate, bytes: bytesOf("sound-level") }),
    seated() {
      const { sitting } = load();
      return sitting !== null && Math.abs(Date.now() - sitting.last) < PAUSE_MS;
    },
    unseat() {
      change((data) => {
        data.sitting = null;
      });
    },
    async sit(heardOn) {
      change((data) => {
        data.sitting = { heard_on: heardOn, from: Date.now(), last: Date.now() };
      });
    },
    async due() {
      const data = load();
      const place = places.find((p) => !counted(data, p));
      const tries = data.listens.filter((x) => x.place === place).length;
      const codes = packet.codes[place];
      return {
        place: places.filter((p) => counted(data, p)).length + 1, of: places.length, rate: packet.rate,
        code: codes[Math.min(tries, codes.length - 1)], at: place,
        long_sitting: data.sitting !== null && Date.now() - data.sitting.from > LONG_MS,
      };
    },
    sound: async (due) => bytesOf(`sound-${due.at}`),
    async begin(due) {
      change((data) => {
        closeOpen(data, "elsewhere");
        data.listens.push({
          place: due.at, code: due.code, heard_on: data.sitting.heard_on, began: now(), ended: null, heard_s: 0,
          minutes_east: -new Date().getTimezoneOffset(), reason: null, ratings: [], comments: [],
        });
        data.sitting.last = Date.now();
      });
    },
    async beat(due, heard_s) {
      change((data) => {
        const listen = data.listens.at(-1);
        if (listen.ended || listen.code !== due.code) throw new Flow.Refused("over", WHY.elsewhere);
        listen.heard_s = heard_s;
      });
    },
    async end(due, report) {
      return change((data) => {
        const listen = data.listens.findLast((x) => x.code === due.code);
        if (!listen.ended) Object.assign(listen, { ended: now(), heard_s: report.heard_s, reason: report.reason });
        if (data.sitting) data.sitting.last = Date.now();
        return { counted: listen.reason === null, why: WHY[listen.reason] || "" };
      });
    },
    leave(due, end) {
      driver.end(due, end);
    },
    async rate(code, answer) {
      change((data) => {
        const listen = data.listens.findLast((x) => x.code === code && x.ended && !x.reason);
        for (const aspect of ["overall", ...Flow.ASPECTS]) {
          if (answer[aspect] !== undefined) listen.ratings.push({ aspect, value: answer[aspect], at: now() });
        }
        listen.comments.push(...answer.comments);
        delete data.drafts[code];
        if (data.sitting) data.sitting.last = Date.now();
      });
    },
    async close() {
      change((data) => {
        data.stands = true;
      });
    },
    async rest() {
      const text = "Save them as a file, and send it back to whoever sent you this page.";
      await Screens.rest("Your answers must go back", text, "rest-save");
      save();
    },
    recall: (code) => load().drafts[code] || {},
    remember(code, draft) {
      change((data) => {
        data.drafts[code] = draft;
      });
    },
    forget(code) {
      change((data) => {
        delete data.drafts[code];
      });
    },
    /* Another tab of this packet writes to the same place when it begins a listen. */
    others(callback) {
      const heard = load().listens.length;
      const look = (event) => {
        if (event.key === PLACE && load().listens.length > heard) callback();
      };
      window.addEventListener("storage", look);
      return () => window.removeEventListener("storage", look);
    },
  };

  document.getElementById("save-now").onclick = save;
  Flow.run(driver);
})();
