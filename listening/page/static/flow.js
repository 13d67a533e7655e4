"use strict";
/* A round from hello to thanks. The driver answers (a server, or a packet's own memory); the state it gives
   decides what comes next, so that a reload, a second tab or another device always finds its place. */
const Flow = (() => {
  const ASPECTS = ["opening", "flow", "build", "ending"];

  /* The driver refuses: word says why for us, text for the listener. */
  class Refused extends Error {
    constructor(word, text) {
      super(text);
      this.word = word;
    }
  }

  const drawKey = () => {
    const bytes = crypto.getRandomValues(new Uint8Array(18));
    return btoa(String.fromCharCode(...bytes)).replaceAll("+", "-").replaceAll("/", "_");
  };

  /* What was typed and kept for a code so far; its key makes sure that it is taken in once. */
  const draftOf = (driver, code) => ({ key: drawKey(), moments: [], ...driver.recall(code) });

  function answerOf(draft) {
    const answer = { key: draft.key, overall: Screens.number(draft.overall), comments: [] };
    for (const aspect of ASPECTS) {
      if ((draft[aspect] || "").trim()) answer[aspect] = Screens.number(draft[aspect]);
    }
    for (const moment of draft.moments) {
      if ((moment.text || "").trim()) answer.comments.push({ text: moment.text, time_s: moment.time_s });
    }
    if ((draft.whole || "").trim()) answer.comments.push({ text: draft.whole, time_s: null });
    return answer;
  }

  async function levelCheck(driver) {
    const { ticket, bytes, rate } = await driver.level();
    const heardOn = await Screens.level(() => Sound.prepare(bytes.slice(0), rate));
    await driver.sit(heardOn, ticket);
    Screens.notice("Leave the level as it is until the round is over.");
  }

  /* Ends what plays when another tab begins or the page is left; what it returns ends the watch. */
  function watch(driver, due, piece) {
    const others = driver.others(() => piece.stop("elsewhere"));
    const asking = (event) => event.preventDefault();
    const leaving = () => {
      if (!piece.playing()) return;
      driver.leave(due, { heard_s: piece.heardAt(), waited_s: 0, reason: "left" });
      piece.stop("left");
    };
    window.addEventListener("beforeunload", asking);
    window.addEventListener("pagehide", leaving);
    return () => {
      window.removeEventListener("beforeunload", asking);
      window.removeEventListener("pagehide", leaving);
      others();
    };
  }

  async function hear(driver) {
    const due = await driver.due();
    Screens.due(due);
    const piece = await Sound.prepare(await driver.sound(due), due.rate);
    await Screens.fromTheTop();
    piece.ready(); // still within the listener's press, as browsers ask
    const begun = performance.now() / 1000;
    try {
      await driver.begin(due, drawKey());
    } catch (error) {
      piece.forget();
      throw error;
    }
    Screens.notice("");
    const draft = draftOf(driver, due.code);
    const awake = navigator.wakeLock ? navigator.wakeLock.request("screen").catch(() => null) : null;
    const watched = watch(driver, due, piece);
    Screens.playing(
      () => {
        draft.moments.push({ time_s: Math.round(piece.heardAt() * 1000) / 1000, text: "" });
        driver.remember(due.code, draft);
      },
      () => piece.stop("stopped"),
    );
    const report = await piece.play((heard_s) => {
      driver.beat(due, heard_s).catch((error) => {
        if (error instanceof Refused) piece.stop("elsewhere");
      });
    });
    watched();
    Screens.stopped();
    (await awake)?.release();
    const ended = await driver.end(due, report, begun);
    if (!ended.counted) {
      driver.forget(due.code);
      Screens.notice(`Not counted: ${ended.why}. This form will be heard again, from its top.`);
    }
  }

  async function rate(driver, code) {
    const draft = draftOf(driver, code);
    driver.remember(code, draft); // its key must outlive a reload
    const done = await Screens.rate(code, ASPECTS, draft, (typed) => driver.remember(code, typed));
    await driver.rate(code, answerOf(done));
    driver.forget(code);
    Screens.notice(`Kept: ${code} is rated.`);
  }

  async function review(driver, state) {
    for (const [code, overall] of await Screens.review(state.ratings)) {
      await driver.rate(code, { key: drawKey(), overall, comments: [] });
    }
    await driver.close(state.round);
    Screens.notice(`Round ${state.round} is done. Thank you, ${state.listener}.`);
  }

  async function step(driver, state, seen) {
    if (state.stage === "ready") {
      await Screens.hello(state);
      seen.hello = true;
      await driver.enter();
    } else if (state.stage === "listen") {
      if (!seen.hello) await Screens.hello(state);
      seen.hello = true;
      if (!driver.seated()) await levelCheck(driver);
      await hear(driver);
    } else if (state.stage === "rate") {
      await rate(driver, state.code);
    } else if (state.stage === "review") {
      await review(driver, state);
    } else {
      seen.hello = false;
      await driver.rest(state);
    }
  }

  async function run(driver) {
    const seen = { hello: false };
    for (;;) {
      try {
        const state = await driver.state();
        Screens.header(state);
        await step(driver, state, seen);
      } catch (error) {
        if (error instanceof Refused && error.word === "sitting") {
          driver.unseat();
          Screens.notice(error.message);
        } else if (error instanceof Refused && error.word === "link") {
          Screens.notice("");
          await Screens.trouble(error.message, false);
        } else if (error instanceof Refused && ["stale", "over", "gone", "level"].includes(error.word)) {
          Screens.notice(error.message);
        } else {
          const known = error instanceof Refused || error instanceof Sound.NoSound;
          if (!known) console.error(error);
          await Screens.trouble(known ? error.message : "Something went wrong on this page.");
        }
      }
    }
  }

  return { run, Refused, ASPECTS };
})();
