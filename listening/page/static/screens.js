"use strict";
/* What is on the screen. Each function shows one screen and resolves with what the listener decided. */
const Screens = (() => {
  const $ = (id) => document.getElementById(id);
  const NAMES = ["wait", "hello", "level", "listen", "rate", "review", "rest", "trouble"];

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

  async function hello(state) {
    const begins = state.stage === "ready";
    $("hello-head").textContent = `Hello, ${state.listener}.`;
    const left = state.forms_asked - state.forms_rated;
    $("hello-round").textContent = begins
      ? `Round ${state.round} of ${state.rounds_planned} can begin.`
      : `Round ${state.round} of ${state.rounds_planned}: ${state.forms_rated} of ${state.forms_asked} ` +
        `forms are rated, ${left} to go.`;
    $("hello-go").textContent = begins || state.forms_rated === 0 ? "Begin the round" : "Go on with the round";
    if (state.text) notice(state.text);
    show("hello");
    await pressed("hello-go");
  }

  function heardOn() {
    const chosen = document.querySelector("input[name=heard-on]:checked");
    return chosen ? chosen.value || $("heard-on-words").value.trim() : "";
  }

  /* Resolves with what the listener listens on, once the level check was heard whole and confirmed. */
  async function level(prepare) {
    $("level-heard").hidden = true;
    enable("level-play", false);
    $("heard-on-words").oninput = () => {
      $("heard-on-else").checked = true;
    };
    show("level");
    let heard = false;
    for (;;) {
      const piece = await prepare();
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
        notice("The level check broke off. Please play it again.");
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
    enable("listen-top", false);
    $("listen-top").textContent = "One moment …";
    show("listen");
  }

  async function fromTheTop() {
    $("listen-top").textContent = "From the top";
    enable("listen-top", true);
    await pressed("listen-top");
    enable("listen-top", false);
  }

  /* While a form plays: calls keep() for each kept moment, stop() when the listener stops it. */
  function playing(keep, stop) {
    let count = 0;
    const keepOne = () => {
      count += 1;
      keep();
      $("listen-kept").textContent = count === 1 ? "1 moment kept." : `${count} moments kept.`;
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

  /* "72", "72.5", "72,5" -> a number from 0 to 100; null for anything else. */
  function number(text) {
    const found = text.normalize("NFKC").trim().replace(",", ".");
    if (!/^\d{1,3}(\.\d{1,2})?$/.test(found)) return null;
    const value = Number(found);
    return value <= 100 ? value : null;
  }

  function fault(field, place, text) {
    field.setAttribute("aria-invalid", text ? "true" : "false");
    $(place).textContent = text;
    $(place).hidden = !text;
  }

  function mark() {
    const value = number($("overall").value);
    $("rule-mark").hidden = value === null;
    if (value !== null) $("rule-mark").style.setProperty("inset-inline-start", `${value}%`);
  }

  function drawOnRule(changed) {
    Rule.draw($("rule"), (share) => {
      $("overall").value = String(Math.round(share * 100));
      fault($("overall"), "overall-error", "");
      mark();
      changed();
    });
  }

  /* A field under its label, both in a row of their own. */
  function labelled(kind, text, made) {
    const row = document.createElement("p");
    const label = document.createElement("label");
    const field = Object.assign(document.createElement(kind), made);
    label.htmlFor = field.id;
    label.textContent = text;
    row.append(label, field);
    return { row, field };
  }

  function momentFields(moments) {
    const made = moments.map((moment, index) =>
      labelled("textarea", `What was it at moment ${index + 1}?`, {
        id: `moment-${index + 1}`, rows: 2, maxLength: 4000, dir: "auto", value: moment.text || "",
      }));
    $("rate-moments").replaceChildren(...made.map((one) => one.row));
    return made.map((one) => one.field);
  }

  /* Asks for a rating; every change goes to save(draft). Resolves with the finished draft. */
  async function rate(code, aspects, draft, save) {
    $("rate-head").textContent = code;
    $("overall").value = draft.overall || "";
    $("whole").value = draft.whole || "";
    for (const aspect of aspects) $(aspect).value = draft[aspect] || "";
    const moments = momentFields(draft.moments || []);
    const gather = () => {
      draft.overall = $("overall").value;
      draft.whole = $("whole").value;
      for (const aspect of aspects) draft[aspect] = $(aspect).value;
      moments.forEach((field, index) => {
        draft.moments[index].text = field.value;
      });
      save(draft);
    };
    $("rate-form").oninput = ({ target }) => {
      mark();
      gather();
      const right = number(target.value) !== null;
      if (target === $("overall") && right) fault(target, "overall-error", "");
      if (aspects.includes(target.id) && (right || !target.value)) fault(target, "aspects-error", "");
    };
    fault($("overall"), "overall-error", "");
    for (const aspect of aspects) fault($(aspect), "aspects-error", "");
    drawOnRule(gather);
    mark();
    enable("rate-keep", true);
    show("rate");
    for (;;) {
      await submitted("rate-form");
      gather();
      const wrong = aspects.find((a) => $(a).value.trim() && number($(a).value) === null);
      const lacking = number($("overall").value) === null;
      fault($("overall"), "overall-error", lacking ? "A number from 0 to 100, please." : "");
      for (const aspect of aspects) fault($(aspect), "aspects-error", "");
      if (wrong) fault($(wrong), "aspects-error", `${wrong}: a number from 0 to 100, or nothing.`);
      if (!lacking && !wrong) break;
      $(lacking ? "overall" : wrong).focus();
    }
    enable("rate-keep", false);
    return draft;
  }

  /* Shows the round's ratings; resolves with [[code, value], ...] of those that were changed. */
  async function review(ratings) {
    const fields = ratings.map(({ code, overall }) => {
      const made = labelled("input", code, {
        id: `rated-${code}`, type: "text", inputMode: "decimal", maxLength: 6, autocomplete: "off",
        value: String(overall),
      });
      made.field.setAttribute("aria-describedby", "review-error");
      return { ...made, code, overall };
    });
    $("review-list").replaceChildren(...fields.map((one) => one.row));
    $("review-error").hidden = true;
    enable("review-stand", true);
    show("review");
    for (;;) {
      await submitted("review-form");
      for (const one of fields) fault(one.field, "review-error", "");
      const wrong = fields.find((one) => number(one.field.value) === null);
      if (!wrong) break;
      fault(wrong.field, "review-error", `${wrong.code}: a number from 0 to 100, please.`);
      wrong.field.focus();
    }
    enable("review-stand", false);
    return fields
      .map((one) => [one.code, number(one.field.value), one.overall])
      .filter(([, value, before]) => value !== before)
      .map(([code, value]) => [code, value]);
  }

  async function rest(head, text, button = "rest-again") {
    $("rest-head").textContent = head;
    $("rest-text").textContent = text;
    show("rest");
    await pressed(button);
  }

  async function trouble(text, again = true) {
    $("trouble-text").textContent = text;
    $("trouble-again").hidden = !again;
    show("trouble");
    await pressed("trouble-again");
  }

  return {
    notice, header, hello, level, due, fromTheTop, playing, stopped, number, rate, review, rest, trouble,
  };
})();
