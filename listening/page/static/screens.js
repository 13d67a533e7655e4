"use strict";
/* What is on the screen before, while and after a form is heard. Each function shows one screen and resolves with
   what the listener decided. */
const Screens = (() => {
  const $ = (id) => document.getElementById(id);
  const NAMES = [
    "wait", "hello", "level", "listen", "judge", "rate", "review", "questions", "rest", "trouble",
  ];

  function show(name) {
    const changed = $(name).hidden;
    for (const other of NAMES) $(other).hidden = other !== name;
    if (changed) {
      window.scrollTo(0, 0);
      $(`${name}-head`).focus({ preventScroll: true });
    }
  }

  /* A notice stays until the next one; screen readers speak it. */
  function notice(text) {
    if ($("notice").textContent !== text) $("notice").textContent = text;
  }

  function header(state) {
    $("title").textContent = state.title;
    $("who").textContent = `${state.listener}, ${state.rounds_done} of ${state.rounds_planned} rounds done`;
    document.title = `${state.title}: listening round`;
  }

  const pressed = (id) =>
    new Promise((resolve) => {
      $(id).onclick = (event) => {
        if ($(id).getAttribute("aria-disabled") !== "true") resolve(event);
      };
    });

  const submitted = (id) =>
    new Promise((resolve) => {
      $(id).onsubmit = (event) => {
        event.preventDefault();
        resolve();
      };
    });

  function enable(id, on) {
    if (on) $(id).removeAttribute("aria-disabled");
    else $(id).setAttribute("aria-disabled", "true");
  }

  const mega = (bytes, of = bytes) => (bytes / 1e6).toFixed(of < 1e7 ? 1 : 0);
  const megabytes = (bytes) => `${mega(bytes)} MB`;
  const count = (n, one, many) => `${n} ${n === 1 ? one : many}`;

  /* "about 20 seconds", "about 3 minutes", in steps that do not flicker. */
  function about(seconds) {
    if (seconds < 8) return "a few seconds";
    if (seconds < 50) return `about ${Math.ceil(seconds / 10) * 10} seconds`;
    if (seconds < 75) return "about a minute";
    return `about ${Math.round(seconds / 60)} minutes`;
  }

  /* A place in a listen: 72.4 -> "1:12". */
  const clock = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

  /* What a round asks of its listener: of the round in all, never of one form. */
  function needs(state) {
    const told = [count(state.forms_asked, "form", "forms")];
    if (state.minutes) told.push(`about ${count(state.minutes, "minute", "minutes")} of sound in all`);
    if (state.form_bytes) told.push(`${megabytes(state.form_bytes * state.forms_asked)} to fetch`);
    return `${told.join(", ")}.`;
  }

  async function hello(state, advice) {
    const begins = state.stage === "ready";
    $("hello-head").textContent = `Hello, ${state.listener}.`;
    const left = state.forms_asked - state.forms_rated;
    $("hello-round").textContent = begins
      ? `Round ${state.round} of ${state.rounds_planned} can begin.`
      : `Round ${state.round} of ${state.rounds_planned}: ${state.forms_rated} of ${state.forms_asked} ` +
        `forms are rated, ${left} to go.`;
    $("hello-needs").textContent = [state.forms_asked ? needs(state) : "", advice].filter(Boolean).join(" ");
    $("hello-go").textContent = begins || state.forms_rated === 0 ? "Begin the round" : "Go on with the round";
    if (state.text) notice(state.text);
    show("hello");
    await pressed("hello-go");
  }

  function heardOn() {
    const chosen = document.querySelector("input[name=heard-on]:checked");
    return chosen ? chosen.value || $("heard-on-words").value.trim() : "";
  }

  /* How far the sound is that the listener waits for. */
  function fetching({ got, of, left_s }, place = "listen-fetching") {
    const far = of ? `${mega(got, of)} of ${megabytes(of)}` : megabytes(got);
    const left = left_s === null ? "" : `, ${about(left_s)} to go`;
    const whole = of !== null && got >= of;
    $(place).textContent = whole ? "The sound is here, and is made ready." : `Fetching the sound: ${far}${left}.`;
  }

  /* Resolves with what the listener listens on, once the level check was heard whole and confirmed. It is asked
     to be heard again only where it could not be: a stutter does not matter to a level. */
  async function level(prepare) {
    $("level-heard").hidden = true;
    enable("level-play", false);
    $("heard-on-words").oninput = () => {
      $("heard-on-else").checked = true;
    };
    show("level");
    let heard = false;
    for (;;) {
      const piece = await prepare((far) => fetching(far, "level-fetching"));
      $("level-fetching").textContent = "";
      enable("level-play", true);
      const choice = await Promise.race([
        pressed("level-play").then(() => "play"),
        submitted("level-form").then(() => "yes"),
      ]);
      if (choice === "yes") {
        piece.forget();
        if (heard && heardOn()) return heardOn();
        notice(heard ? "Please say what you are listening on." : "Please play the level check first.");
        continue;
      }
      piece.ready();
      enable("level-play", false);
      $("level-heard").hidden = true;
      $("level-sign").hidden = false;
      notice("");
      const report = await piece.play();
      $("level-sign").hidden = true;
      if (report.reason === null) {
        heard = true;
        $("level-play").textContent = "Play it again";
      } else {
        notice("The level check stood still and did not go on. Please play it again.");
      }
      $("level-heard").hidden = !heard;
      $("level-yes").scrollIntoView({ block: "nearest" });
    }
  }

  /* Shows a form's code before it is heard; the control waits for the sound. */
  function due(listen) {
    $("listen-place").textContent = `form ${listen.place} of ${listen.of} in this round`;
    $("listen-head").textContent = listen.code;
    $("listen-tired").hidden = !listen.long_sitting;
    $("listen-rest").hidden = false;
    $("listen-on").hidden = true;
    $("listen-kept").textContent = "";
    $("listen-fetching").textContent = "";
    enable("listen-top", false);
    $("listen-top").textContent = "One moment …";
    show("listen");
  }

  async function fromTheTop() {
    $("listen-fetching").textContent = "";
    $("listen-top").textContent = "From the top";
    enable("listen-top", true);
    await pressed("listen-top");
    enable("listen-top", false);
  }

  /* While a form plays: calls keep() for each kept moment, stop() when the listener stops it. */
  function playing(keep, stop) {
    let kept = 0;
    const keepOne = () => {
      kept += 1;
      keep();
      $("listen-kept").textContent = `${count(kept, "moment", "moments")} kept.`;
    };
    $("listen-rest").hidden = true;
    $("listen-on").hidden = false;
    $("listen-keep").onclick = keepOne;
    $("listen-stop").onclick = stop;
    document.onkeydown = (event) => {
      const elsewhere = document.activeElement === document.body || document.activeElement === $("listen-head");
      if (event.key === " " && elsewhere && !event.repeat) {
        event.preventDefault();
        keepOne();
      }
    };
    $("listen-keep").focus({ preventScroll: true });
  }

  function stopped() {
    document.onkeydown = null;
    $("listen-keep").onclick = null; // they hold on to the sound
    $("listen-stop").onclick = null;
    $("listen-on").hidden = true;
  }

  async function rest(head, text, button = "rest-again") {
    $("rest-head").textContent = head;
    $("rest-text").textContent = text;
    show("rest");
    await pressed(button);
  }

  async function trouble(head, text, again = true) {
    $("trouble-head").textContent = head;
    $("trouble-text").textContent = text;
    $("trouble-again").hidden = !again;
    show("trouble");
    await pressed("trouble-again");
  }

  return {
    $, show, pressed, submitted, enable, clock, notice, header, hello, level, fetching, due, fromTheTop, playing,
    stopped, rest, trouble,
  };
})();
