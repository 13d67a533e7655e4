"use strict";
/* A round from hello to thanks. The driver answers (a server, or a packet's own memory); the state it gives
   decides what comes next, so that a reload, a second tab or another device always finds its place. */
const Flow = (() => {
  const ASPECTS = ["opening", "flow", "build", "ending"];
  const MOST_LATE_S = 2; // more of a form that came late or not at all, and it was not heard
  let piece = null; // what plays, or is about to

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
    const answer = { key: draft.key, overall: Rating.number(draft.overall), comments: [] };
    for (const aspect of ASPECTS) {
      if ((draft[aspect] || "").trim()) answer[aspect] = Rating.number(draft[aspect]);
    }
    for (const moment of draft.moments) {
      if ((moment.text || "").trim()) answer.comments.push({ text: moment.text, time_s: moment.time_s });
    }
    if ((draft.whole || "").trim()) answer.comments.push({ text: draft.whole, time_s: null });
    return answer;
  }

  async function levelCheck(driver) {
    let level = null;
    const heardOn = await Screens.level(async (show) => {
      level ??= await driver.level(show);
      return Sound.prepare(level.bytes.slice(0), level.rate);
    });
    await driver.sit(heardOn, level.ticket);
    Screens.notice("Leave the level as it is until the round is over.");
  }

  /* Ends what plays when another tab begins or the page is left; what it returns ends the watch. */
  function watch(driver, due) {
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

  /* The form that is due, played once it has begun for the driver; resolves with the sound's report. */
  async function play(driver, due) {
    const draft = draftOf(driver, due.code);
    const watched = watch(driver, due);
    Screens.playing(
      () => {
        draft.moments.push({ time_s: Math.round(piece.heardAt() * 1000) / 1000, text: "" });
        driver.remember(due.code, draft);
      },
      () => piece.stop("stopped"),
    );
    const beat = (heard_s) => {
      driver.beat(due, heard_s).catch((error) => {
        if (error instanceof Refused) piece?.stop("elsewhere");
      });
    };
    try {
      return await piece.play({ most_late_s: MOST_LATE_S, beat });
    } finally {
      watched();
      Screens.stopped();
    }
  }

  async function hear(driver) {
    const due = await driver.due();
    Screens.due(due);
    piece = await Sound.prepare(await driver.sound(due, Screens.fetching), due.rate);
    await Screens.fromTheTop();
    piece.ready(); // still within the listener's press, as browsers ask
    const letGo = Awake.keep();
    const pressed = performance.now() / 1000;
    let ended = null;
    try {
      await driver.begin(due, drawKey());
      Screens.notice("");
      const report = await play(driver, due);
      ended = await driver.end(due, report, pressed);
    } finally {
      piece.forget();
      piece = null;
      letGo();
    }
    if (ended.counted || ended.ask) return;
    driver.forget(due.code);
    const again = `Not counted: ${ended.why}. This form will be heard again, from its top.`;
    Screens.notice([again, ended.advice].filter(Boolean).join(" "));
  }

  /* A listen that stumbled: only its listener knows whether it could be judged all the same. */
  async function judge(driver, { code, ask }) {
    const could = await Rating.judge(code, ask);
    const told = await driver.judged(code, could);
    if (could) return;
    driver.forget(code);
    const again = "Thank you. This form will be heard again, from its top, under a new code.";
    Screens.notice([again, told?.advice].filter(Boolean).join(" "));
  }

  /* What was said before and not answered may have arrived: then only what is new of it goes out. */
  async function since(driver, code, tried, draft) {
    const { stage, code: waiting } = await driver.state();
    draft.key = drawKey();
    driver.remember(code, draft);
    const answer = answerOf(draft);
    if (stage === "rate" && waiting === code) return answer;
    const said = new Set(tried.comments.map((comment) => JSON.stringify(comment)));
    return { ...answer, comments: answer.comments.filter((comment) => !said.has(JSON.stringify(comment))) };
  }

  /* What stands on the screen is what is sent: a change meanwhile takes back what was on its way. */
  async function rate(driver, code) {
    const draft = draftOf(driver, code);
    driver.remember(code, draft); // its key must outlive a reload
    let tried = null;
    for (;;) {
      await Rating.rate(code, ASPECTS, draft, (typed) => driver.remember(code, typed));
      const giving = new AbortController();
      const sending = (async () => {
        const answer = tried ? await since(driver, code, tried, draft) : answerOf(draft);
        giving.signal.throwIfAborted();
        tried = answer;
        await driver.rate(code, answer, giving.signal);
        return true;
      })();
      sending.catch(() => {}); // taken back, or thrown on below
      if (await Promise.race([sending, Rating.changed("rate-form").then(() => false)])) break;
      giving.abort();
      Screens.notice("Changed, and not kept yet: press the button when it is as you want it.");
    }
    driver.forget(code);
    Screens.notice(`Kept: ${code} is rated.`);
  }

  async function review(driver, state) {
    const typed = { // outlives a reload, as what is typed while a form is rated does
      recall: (code) => driver.recall(code).corrected,
      remember: (code, text) => driver.remember(code, { corrected: text }),
    };
    const changed = await Rating.review(state.ratings, ASPECTS, typed);
    for (const [code, overall] of changed) await driver.rate(code, { key: drawKey(), overall, comments: [] });
    if (!state.questions_answered) {
      const now = new Map(changed);
      const ratings = state.ratings.map((one) => ({ ...one, overall: now.get(one.code) ?? one.overall }));
      await driver.questions(await Rating.questions(ratings, ASPECTS));
    }
    await driver.close(state.round);
    for (const { code } of state.ratings) driver.forget(code);
    Screens.notice(`Round ${state.round} is done. Thank you, ${state.listener}.`);
  }

  async function step(driver, state, seen) {
    const hello = async () => {
      if (!seen.hello) await Screens.hello(state, Awake.advice());
      seen.hello = true;
    };
    if (state.stage === "ready") {
      seen.hello = false;
      await hello();
      await driver.enter();
    } else if (state.stage === "listen") {
      await hello();
      if (!driver.seated()) await levelCheck(driver);
      await hear(driver);
    } else if (state.stage === "judge") {
      await judge(driver, state);
    } else if (state.stage === "rate") {
      driver.ahead();
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
          await Screens.trouble("This link does not work", error.message, false);
        } else if (error instanceof Refused && ["stale", "used", "over", "gone", "level"].includes(error.word)) {
          Screens.notice(error.message);
        } else if (error instanceof Sound.NoSound) {
          await Screens.trouble("The song cannot be played here", error.message);
        } else {
          const known = error instanceof Refused;
          if (!known) console.error(error);
          await Screens.trouble("Something went wrong", known ? error.message : "It went wrong on this page.");
        }
      }
    }
  }

  /* What a listener reads whose listen to `code` ended because the page was loaded again. */
  const brokenOff = (code) =>
    `The page was loaded again while ${code} played, so that listen is over. The form begins again from its top, ` +
    "under a new code: it can only be judged by the whole of it.";

  return { run, brokenOff, Refused, ASPECTS, playing: () => piece !== null };
})();
