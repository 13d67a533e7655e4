"use strict";
/* The driver of a page that a server stands behind. The private token stays in this tab: it is read from
   the address's fragment, which browsers do not send, and goes out as a bearer token. */
(() => {
  const { token, request, refusal, ask } = Network;
  const ANSWER_MS = 400;
  let drawer = "";
  let next = null; // where the sound that is heard next lies, and its size
  let sitting = null;

  /* The browser's own storage; one that keeps nothing leaves a page that works. */
  function stored(place, name) {
    try {
      return JSON.parse(place().getItem(name));
    } catch {
      return null;
    }
  }

  function store(place, name, value) {
    try {
      if (value === null) place().removeItem(name);
      else place().setItem(name, JSON.stringify(value));
    } catch {
      // a reload then loses what was typed, or asks for the level check again
    }
  }

  const here = () => localStorage; // of this browser
  const tab = () => sessionStorage; // of this tab
  const draftName = (code) => `fair ${drawer} ${code}`;
  const seatName = () => `fair sitting ${drawer}`;
  const playingName = () => `fair playing ${drawer}`;

  function sweep(codes) {
    try {
      const asked = codes.map(draftName);
      const mine = Object.keys(localStorage).filter((name) => name.startsWith(`fair ${drawer} `));
      for (const name of mine) if (!asked.includes(name)) localStorage.removeItem(name);
    } catch {
      // nothing is stored here
    }
  }

  /* What a reload in mid-form broke off, once. */
  function brokenOff(state) {
    const code = stored(tab, playingName());
    if (code === null || Flow.playing()) return "";
    store(tab, playingName(), null);
    if (state.stage !== "listen") return "";
    return Flow.brokenOff(code);
  }

  const driver = {
    async state() {
      const state = await ask("GET", "/api/state");
      drawer = state.drawer;
      sitting ??= stored(tab, seatName());
      if (state.stage === "review") sweep(state.ratings.map((one) => one.code));
      else if (state.stage !== "listen") sweep([state.code]);
      next = state.next_sound ? { path: state.next_sound, bytes: state.form_bytes } : null;
      return { ...state, text: [brokenOff(state), state.text].filter(Boolean).join(" ") };
    },
    enter: () => ask("POST", "/api/round"),
    /* Fetches what is heard next while something else is done. */
    ahead() {
      if (!next) return;
      Network.keepOnly([next.path]);
      Network.ahead(next.path, next.bytes);
    },
    async level(show) {
      const { ticket, rate } = await ask("POST", "/api/level");
      const path = `/api/level/${ticket}`;
      const bytes = await Network.sound(path, null, show);
      if (next) driver.ahead();
      return { ticket, rate, bytes };
    },
    seated: () => sitting !== null,
    unseat() {
      sitting = null;
      store(tab, seatName(), null);
    },
    async sit(heardOn, ticket) {
      ({ sitting } = await ask("POST", "/api/sitting", { heard_on: heardOn, level: ticket }));
      store(tab, seatName(), sitting);
    },
    due: () => ask("POST", "/api/due", { sitting }),
    async sound(due, show) {
      Network.keepOnly([due.sound]);
      return Masked.unmask(await Network.sound(due.sound, due.bytes, show), parseInt(due.mask, 16));
    },
    async begin(due, key) {
      await ask("POST", `/api/listens/${due.code}/begin`, { sitting, key }).catch(explained);
      store(tab, playingName(), due.code);
      channel?.postMessage({ begins: key });
    },
    async beat(due, heard_s) {
      const response = await request("POST", `/api/listens/${due.code}/heard`, { heard_s });
      if (response.status === 409 || response.status === 404) throw await refusal(response);
    },
    async end(due, report, begun) {
      store(tab, playingName(), null);
      const before = Math.max(report.topAt - begun, 0);
      const { heard_s, reason, late_s, stumbles } = report;
      return ask("POST", `/api/listens/${due.code}/end`, () => {
        const since = Math.max(
          performance.now() / 1000 - report.endedAt, Date.now() / 1000 - report.endedDate, 0);
        return { heard_s, waited_s: Math.min(before + since, 1e6), reason, late_s, stumbles };
      });
    },
    leave(due, end) {
      request("POST", `/api/listens/${due.code}/end`, end, { keepalive: true }).catch(() => {});
    },
    judged: (code, could_judge) => ask("POST", `/api/listens/${code}/judged`, { could_judge }),
    rate: (code, answer, signal) => ask("POST", `/api/listens/${code}/answer`, answer, signal),
    questions: (answers) => ask("POST", "/api/round/questions", answers),
    close: (round) => ask("POST", "/api/round/close", { round }),
    rest: (state) => Screens.rest(state.stage === "done" ? "All rounds are done" : "Until the next round", state.text),
    recall: (code) => stored(here, draftName(code)) || {},
    remember: (code, draft) => store(here, draftName(code), draft),
    forget: (code) => store(here, draftName(code), null),
    /* Calls back when another tab of this browser begins a listen by the same link. */
    others(callback) {
      const hears = ({ data }) => {
        if (data.begins) callback();
      };
      channel?.addEventListener("message", hears);
      return () => channel?.removeEventListener("message", hears);
    },
  };

  const channel = "BroadcastChannel" in window && token ? new BroadcastChannel(`fair ${token}`) : null;
  channel?.addEventListener("message", ({ data }) => {
    if (data.asks) channel.postMessage({ here: true });
  });

  /* Whether this browser holds another tab of the same link. */
  const anotherTab = () =>
    new Promise((resolve) => {
      if (!channel) resolve(false);
      channel?.addEventListener("message", ({ data }) => resolve(Boolean(data.here)), { once: true });
      channel?.postMessage({ asks: true });
      setTimeout(() => resolve(false), ANSWER_MS);
    });

  /* A code that was used up names another tab only where there is one. */
  async function explained(error) {
    if (!(error instanceof Flow.Refused) || error.word !== "used") throw error;
    const where = (await anotherTab()) ? "in another tab" : "on another device, or before an interruption";
    throw new Flow.Refused("used", `This code was used up ${where}; here is a new one.`);
  }

  window.addEventListener("hashchange", () => location.reload());
  window.addEventListener("pageshow", (event) => {
    if (event.persisted) location.reload();
  });

  if (token) Flow.run(driver);
  else {
    Screens.trouble(
      "This link is incomplete",
      "This page opens by a private link; please use the whole link that you were sent, or scan its code again.",
      false,
    );
  }
})();
