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
    const empty = { begun: false, stands: false, listens: [], drafts: {}, sitting: null, questions: null, broken: null };
    return text ? { ...empty, ...JSON.parse(text) } : empty;
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
  const asks = (listen) => listen.late_s > packet.blemish_s && listen.could_judge === null;
  const whole = (listen) => listen.ended && !listen.reason && listen.could_judge !== false;
  const heard = (data, place) => data.listens.find((x) => x.place === place && whole(x));
  const overall = (listen) => listen && listen.ratings.findLast((r) => r.aspect === "overall");
  const places = packet.codes.map((_codes, place) => place);
  const latest = (data, code) => data.listens.findLast((x) => x.code === code);

  function closeOpen(data, reason) {
    const open = data.listens.filter((listen) => !listen.ended);
    for (const listen of open) Object.assign(listen, { ended: now(), reason });
    return open;
  }

  function longest(listen) {
    const none = { at_s: 0, length_s: listen.late_s };
    return listen.stumbles.reduce((one, other) => (other.length_s > one.length_s ? other : one), listen.stumbles[0] ?? none);
  }

  function reviewed(listen) {
    const given = {};
    for (const { aspect, value } of listen.ratings) given[aspect] = value;
    return { code: listen.code, comments: listen.comments, ...given };
  }

  function stateOf(data) {
    const rated = places.filter((place) => overall(heard(data, place)));
    const waiting = places.map((place) => heard(data, place)).find((listen) => listen && !overall(listen));
    const state = {
      listener: packet.listener, title: packet.title, round: packet.round, drawer: packet.drawer,
      rounds_done: packet.rounds_done + (data.stands ? 1 : 0), rounds_planned: packet.rounds_planned,
      forms_asked: places.length, forms_rated: rated.length, minutes: packet.minutes, form_bytes: null,
      text: rated.length ? "" : packet.text, code: null, ratings: [],
      questions_answered: data.questions !== null,
    };
    if (!data.begun) state.stage = "ready";
    else if (waiting !== undefined) {
      state.stage = asks(waiting) ? "judge" : "rate";
      state.code = waiting.code;
      state.ask = longest(waiting);
    } else if (rated.length < places.length) state.stage = "listen";
    else if (!data.stands) {
      state.stage = "review";
      state.ratings = places.map((place) => reviewed(heard(data, place)));
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
    const listens = data.listens.filter((x) => x.ended).map(({ place: _place, ...listen }) => listen);
    const answers = JSON.stringify({ listens, questions: data.questions });
    return JSON.stringify({
      "fairhearing answers": 1, ticket: packet.ticket, signature: packet.signature, answers, sha256: sha256(answers),
    });
  }

  const answerName = () => {
    const name = packet.listener.replace(/[^\p{L}\p{N}_]+/gu, "-").replace(/^-|-$/g, "") || "listener";
    return `answers-${name}-round-${packet.round}.json`;
  };

  function save() {
    const link = document.createElement("a");
    const url = URL.createObjectURL(new Blob([answerFile()], { type: "application/json" }));
    link.href = url;
    link.download = answerName();
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(url), 60000);
    Screens.notice(`Saved as ${link.download}, where your browser puts downloads. Send that file back.`);
  }

  /* The answer as what a share sheet takes (Web Share API); null where this device has none for it. Some let
     only texts through, not JSON: the content is the same. */
  function shareable() {
    for (const [ending, type] of [["", "application/json"], [".txt", "text/plain"]]) {
      const data = { files: [new File([answerFile()], answerName() + ending, { type })] };
      if (navigator.canShare?.(data)) return data;
    }
    return null;
  }

  async function share() {
    try {
      await navigator.share(shareable());
      Screens.notice("Handed over. Make sure that it was sent: until then it is only here.");
    } catch (error) {
      if (error.name !== "AbortError") save(); // the listener closed the sheet, or it did not work
    }
  }

  /* Whether the last two listens were spoilt by their sound. */
  function advice(data) {
    const spoilt = (x) => ["paused", "broke"].includes(x.reason) || x.could_judge === false;
    const last = data.listens.filter((x) => x.ended).slice(-2);
    return last.length === 2 && last.every(spoilt) ? packet.advice : "";
  }

  const driver = {
    async state() {
      return change((data) => {
        const [open] = closeOpen(data, "left");
        const broken = open ? open.code : data.broken;
        data.broken = null; // said once
        const state = stateOf(data);
        return { ...state, text: [broken ? Flow.brokenOff(broken) : "", state.text].filter(Boolean).join(" ") };
      });
    },
    async enter() {
      change((data) => {
        data.begun = true;
      });
    },
    ahead() {}, // all of it is here
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
      const place = places.find((p) => !heard(data, p));
      const tries = data.listens.filter((x) => x.place === place).length;
      const codes = packet.codes[place];
      return {
        place: places.filter((p) => heard(data, p)).length + 1, of: places.length, rate: packet.rate,
        code: codes[Math.min(tries, codes.length - 1)], at: place,
        long_sitting: data.sitting !== null && Date.now() - data.sitting.from > LONG_MS,
      };
    },
    sound: async (due) => Masked.unmask(bytesOf(`sound-${due.at}`), packet.keys[due.at]),
    async begin(due) {
      change((data) => {
        closeOpen(data, "elsewhere");
        data.listens.push({
          place: due.at, code: due.code, heard_on: data.sitting.heard_on, began: now(), ended: null, heard_s: 0,
          minutes_east: -new Date().getTimezoneOffset(), reason: null, late_s: 0, stumbles: [], could_judge: null,
          ratings: [], comments: [],
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
    async end(due, { heard_s, reason, late_s = 0, stumbles = [] }) {
      return change((data) => {
        const listen = latest(data, due.code);
        if (!listen.ended) Object.assign(listen, { ended: now(), heard_s, reason, late_s, stumbles });
        if (data.sitting) data.sitting.last = Date.now();
        const ask = whole(listen) && asks(listen) ? longest(listen) : null;
        return { counted: whole(listen) && !ask, why: WHY[listen.reason] || "", ask, advice: advice(data) };
      });
    },
    leave(due, end) {
      driver.end(due, end);
      change((data) => {
        data.broken = due.code;
      });
    },
    async judged(code, could_judge) {
      return change((data) => {
        latest(data, code).could_judge = could_judge;
        return { advice: advice(data) };
      });
    },
    async rate(code, answer) {
      change((data) => {
        const listen = data.listens.findLast((x) => x.code === code && whole(x));
        for (const aspect of ["overall", ...Flow.ASPECTS]) {
          if (answer[aspect] !== undefined) listen.ratings.push({ aspect, value: answer[aspect], at: now() });
        }
        listen.comments.push(...answer.comments);
        delete data.drafts[code];
        if (data.sitting) data.sitting.last = Date.now();
      });
    },
    async questions(answers) {
      change((data) => {
        data.questions = answers;
      });
    },
    async close() {
      change((data) => {
        data.stands = true;
      });
    },
    async rest() {
      const sheet = document.getElementById("rest-share");
      sheet.hidden = shareable() === null;
      sheet.onclick = share;
      const text = "Send them to whoever sent you this page: as a file, in the way it came to you.";
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
      const before = load().listens.length;
      const look = (event) => {
        if (event.key === PLACE && load().listens.length > before) callback();
      };
      window.addEventListener("storage", look);
      return () => window.removeEventListener("storage", look);
    },
  };

  document.getElementById("save-now").onclick = save;
  Flow.run(driver);
})();
