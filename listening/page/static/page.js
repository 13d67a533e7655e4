"use strict";
/* The driver of a page that a server stands behind. The private token stays in this tab: it is read from
   the address's fragment, which browsers do not send, and goes out as a bearer token. */
(() => {
  const token = location.hash.slice(1);
  const TRY_S = 20;
  const WAITS_S = [0.5, 1, 2, 3, 5];
  let drawer = "";
  let away = false;

  const sleep = (seconds) => new Promise((resolve) => setTimeout(resolve, seconds * 1000));

  const headers = () => ({
    Authorization: `Bearer ${token}`,
    "Fair-Minutes-East": String(-new Date().getTimezoneOffset()),
  });

  function request(method, path, body, extra = {}) {
    const options = { method, headers: { ...headers(), ...extra.headers }, cache: "no-store", ...extra.options };
    if (body !== undefined) {
      options.body = JSON.stringify(body);
      options.headers["Content-Type"] = "application/json";
    }
    return fetch(path, options);
  }

  async function refusal(response) {
    let told = { word: "trouble", text: `The server answered ${response.status}.` };
    try {
      told = await response.json();
    } catch {
      // not ours: keep the plain sentence
    }
    return new Flow.Refused(told.word, told.text);
  }

  function connected(text) {
    if (text) Screens.notice(text);
    else if (away) Screens.notice("The connection is back.");
    away = Boolean(text);
  }

  /* Asks until there is an answer: what is asked for twice is done once (the server sees to that). */
  async function persist(attempt) {
    for (let tries = 0; ; tries += 1) {
      let wait = WAITS_S[Math.min(tries, WAITS_S.length - 1)];
      try {
        const response = await attempt();
        if (response.ok) {
          const told = await response.json();
          connected("");
          return told;
        }
        if (response.status < 500 && response.status !== 429) {
          connected("");
          throw await refusal(response);
        }
        const told = await refusal(response);
        connected(told.message);
        wait = Math.max(wait, Math.min(Number(response.headers.get("Retry-After")) || 0, 60));
      } catch (error) {
        if (error instanceof Flow.Refused) throw error;
        connected("No connection at the moment. What you wrote is kept here; this page goes on trying.");
      }
      await Promise.race([sleep(wait), online()]);
    }
  }

  const online = () => new Promise((resolve) => window.addEventListener("online", resolve, { once: true }));

  /* The signal gives a request up when nothing was heard of it for TRY_S; alive() says that something was. */
  function patience() {
    const giving = new AbortController();
    let waiting = null;
    const alive = () => {
      clearTimeout(waiting);
      waiting = setTimeout(() => giving.abort(), TRY_S * 1000);
    };
    alive();
    return { signal: giving.signal, alive };
  }

  const ask = (method, path, body) =>
    persist(() => {
      const made = typeof body === "function" ? body() : body;
      return request(method, path, made, { options: { signal: patience().signal } });
    });

  /* Fetches sound into one piece of memory, and after a lost connection only what is still missing of it
     (or all of it, where something on the way does not tell its length). */
  async function fetchSound(path) {
    let bytes = new Uint8Array(0);
    let got = 0;
    let told = false;
    const more = async () => {
      if (!told) got = 0;
      const { signal, alive } = patience();
      const headers = got > 0 ? { Range: `bytes=${got}-` } : {};
      const response = await request("GET", path, undefined, { headers, options: { signal } });
      if (!response.ok) return response;
      if (response.status === 200) {
        told = response.headers.has("Content-Length") && !response.headers.has("Content-Encoding");
        bytes = new Uint8Array(told ? Number(response.headers.get("Content-Length")) : 2 ** 20);
        got = 0;
      }
      const reader = response.body.getReader();
      for (;;) {
        const { done, value } = await reader.read();
        if (done) break;
        while (got + value.length > bytes.length) bytes = larger(bytes);
        bytes.set(value, got);
        got += value.length;
        alive();
      }
      if (told && got < bytes.length) throw new Error("cut short");
      return { ok: true, json: async () => null };
    };
    await persist(more);
    return told ? bytes.buffer : bytes.buffer.slice(0, got);
  }

  function larger(bytes) {
    const room = new Uint8Array(2 * bytes.length + 1);
    room.set(bytes);
    return room;
  }

  const storeName = (code) => `fair ${drawer} ${code}`;

  function stored(name) {
    try {
      return JSON.parse(localStorage.getItem(name)) || {};
    } catch {
      return {};
    }
  }

  function store(name, value) {
    try {
      if (value === null) localStorage.removeItem(name);
      else localStorage.setItem(name, JSON.stringify(value));
    } catch {
      // a browser that keeps nothing: the page works, but a reload loses what was typed
    }
  }

  function sweep(code) {
    try {
      const mine = Object.keys(localStorage).filter((name) => name.startsWith(`fair ${drawer} `));
      for (const name of mine) if (name !== storeName(code)) localStorage.removeItem(name);
    } catch {
      // nothing is stored here
    }
  }

  let sitting = null;
  const seatName = () => `fair sitting ${drawer}`;

  const driver = {
    async state() {
      const state = await ask("GET", "/api/state");
      drawer = state.drawer;
      if (sitting === null) {
        try {
          sitting = sessionStorage.getItem(seatName());
        } catch {
          sitting = null;
        }
      }
      if (state.stage !== "listen") sweep(state.code);
      return state;
    },
    enter: () => ask("POST", "/api/round"),
    async level() {
      const { ticket, rate } = await ask("POST", "/api/level");
      return { ticket, rate, bytes: await fetchSound(`/api/level/${ticket}`) };
    },
    seated: () => sitting !== null,
    unseat() {
      sitting = null;
      try {
        sessionStorage.removeItem(seatName());
      } catch {
        // nothing is stored here
      }
    },
    async sit(heardOn, ticket) {
      ({ sitting } = await ask("POST", "/api/sitting", { heard_on: heardOn, level: ticket }));
      try {
        sessionStorage.setItem(seatName(), sitting);
      } catch {
        // nothing is stored here: a reload asks for the level check again
      }
    },
    due: () => ask("POST", "/api/due", { sitting }),
    sound: (due) => fetchSound(due.sound),
    async begin(due, key) {
      await ask("POST", `/api/listens/${due.code}/begin`, { sitting, key });
      channel?.postMessage(key);
    },
    async beat(due, heard_s) {
      const response = await request("POST", `/api/listens/${due.code}/heard`, { heard_s });
      if (response.status === 409 || response.status === 404) throw await refusal(response);
    },
    end(due, report, begun) {
      const before = Math.max(report.topAt - begun, 0);
      return ask("POST", `/api/listens/${due.code}/end`, () => {
        const since = Math.max(
          performance.now() / 1000 - report.endedAt, Date.now() / 1000 - report.endedDate, 0);
        const waited_s = Math.min(before + since, 1e6);
        return { heard_s: report.heard_s, waited_s, reason: report.reason };
      });
    },
    leave(due, end) {
      request("POST", `/api/listens/${due.code}/end`, end, { options: { keepalive: true } }).catch(() => {});
    },
    rate: (code, answer) => ask("POST", `/api/listens/${code}/answer`, answer),
    close: (round) => ask("POST", "/api/round/close", { round }),
    rest: (state) => Screens.rest(state.stage === "done" ? "All rounds are done" : "Until the next round", state.text),
    recall: (code) => stored(storeName(code)),
    remember: (code, draft) => store(storeName(code), draft),
    forget: (code) => store(storeName(code), null),
    /* Calls back when another tab of this browser begins a listen by the same link. */
    others(callback) {
      if (!channel) return () => {};
      channel.onmessage = callback;
      return () => {
        channel.onmessage = null;
      };
    },
  };

  const channel = "BroadcastChannel" in window && token ? new BroadcastChannel(`fair ${token}`) : null;

  window.addEventListener("hashchange", () => location.reload());
  window.addEventListener("pageshow", (event) => {
    if (event.persisted) location.reload();
  });

  if (token) Flow.run(driver);
  else {
    Screens.trouble(
      "This page opens by a private link; please use the whole link that you were sent, or scan its code again.",
      false,
    );
  }
})();
