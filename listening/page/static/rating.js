"use strict";
/* What is asked after a form was heard, and at the round's end. Each function shows one screen and resolves with
   what the listener said. */
const Rating = (() => {
  const { $, show, pressed, submitted, enable } = Screens;

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

  /* Resolves with the next change of a form's fields. */
  const changed = (form) =>
    new Promise((resolve) => {
      $(form).addEventListener("input", resolve, { once: true });
    });

  function mark() {
    const value = number($("overall").value);
    $("rule-mark").hidden = value === null;
    if (value !== null) $("rule-mark").style.setProperty("inset-inline-start", `${value}%`);
  }

  function drawOnRule() {
    Rule.draw($("rule"), (share) => {
      $("overall").value = String(Math.round(share * 100));
      $("overall").dispatchEvent(new Event("input", { bubbles: true }));
    });
  }

  /* Whether a listen that stumbled at `at_s` could be judged all the same. */
  async function judge(code, { at_s, length_s }) {
    const long = length_s < 1 ? "less than a second" : `about ${length_s < 1.5 ? "a second" : "two seconds"}`;
    $("judge-head").textContent = code;
    $("judge-text").textContent =
      `It stumbled at ${Screens.clock(at_s)}: ${long} came late or not at all. Could you still judge it?`;
    enable("judge-count", true);
    show("judge");
    const could = await Promise.race([
      pressed("judge-count").then(() => true),
      pressed("judge-again").then(() => false),
    ]);
    enable("judge-count", false);
    return could;
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
    const made = moments.map(({ text, time_s }, index) =>
      labelled("textarea", `What was it at moment ${index + 1}, at ${Screens.clock(time_s)}?`, {
        id: `moment-${index + 1}`, rows: 2, maxLength: 4000, dir: "auto", value: text || "",
      }));
    $("rate-moments").replaceChildren(...made.map((one) => one.row));
    return made.map((one) => one.field);
  }

  function showRating(code, aspects, draft, save) {
    $("rate-head").textContent = code;
    $("overall").value = draft.overall || "";
    $("whole").value = draft.whole || "";
    for (const aspect of aspects) $(aspect).value = draft[aspect] || "";
    const moments = momentFields(draft.moments || []);
    $("rate-form").oninput = ({ target }) => {
      mark();
      draft.overall = $("overall").value;
      draft.whole = $("whole").value;
      for (const aspect of aspects) draft[aspect] = $(aspect).value;
      moments.forEach((field, index) => {
        draft.moments[index].text = field.value;
      });
      save(draft);
      const right = number(target.value) !== null;
      if (target === $("overall") && right) fault(target, "overall-error", "");
      if (aspects.includes(target.id) && (right || !target.value)) fault(target, "aspects-error", "");
    };
    fault($("overall"), "overall-error", "");
    for (const aspect of aspects) fault($(aspect), "aspects-error", "");
    drawOnRule();
    mark();
    show("rate");
  }

  /* Asks for a rating, and goes on asking where the screen stands already; every change goes to save(draft).
     Resolves when what stands there is to be kept. */
  async function rate(code, aspects, draft, save) {
    if ($("rate").hidden || $("rate-head").textContent !== String(code)) showRating(code, aspects, draft, save);
    enable("rate-keep", true);
    for (;;) {
      await submitted("rate-form");
      const wrong = aspects.find((a) => $(a).value.trim() && number($(a).value) === null);
      const lacking = number($("overall").value) === null;
      fault($("overall"), "overall-error", lacking ? "A number from 0 to 100, please." : "");
      for (const aspect of aspects) fault($(aspect), "aspects-error", "");
      if (wrong) fault($(wrong), "aspects-error", `${wrong}: a number from 0 to 100, or nothing.`);
      if (!lacking && !wrong) break;
      $(lacking ? "overall" : wrong).focus();
    }
    enable("rate-keep", false);
  }

  /* What was said of a form, to remember by: after a quarter of an hour a code means nothing. */
  function said(listen, aspects) {
    const place = Object.assign(document.createElement("div"), { className: "said small" });
    const given = aspects.filter((a) => typeof listen[a] === "number").map((a) => `${a} ${listen[a]}`);
    if (given.length) place.append(Object.assign(document.createElement("p"), { textContent: given.join(", ") }));
    for (const { text, time_s } of listen.comments || []) {
      const words = typeof time_s === "number" ? `${Screens.clock(time_s)}: ${text}` : text;
      place.append(Object.assign(document.createElement("p"), { textContent: words, dir: "auto" }));
    }
    return place;
  }

  /* Shows the round's ratings; resolves with [[code, value], ...] of those that were changed. From then on the
     fields stand still. `typed` remembers and recalls what was typed for a code. */
  async function review(ratings, aspects, typed) {
    const fields = ratings.map((listen) => {
      const made = labelled("input", listen.code, {
        id: `rated-${listen.code}`, type: "text", inputMode: "decimal", maxLength: 6, autocomplete: "off",
        value: typed.recall(listen.code) ?? String(listen.overall),
      });
      made.field.oninput = () => typed.remember(listen.code, made.field.value);
      made.field.setAttribute("aria-describedby", `said-${listen.code} review-error`);
      const entry = document.createElement("div");
      entry.append(made.row, Object.assign(said(listen, aspects), { id: `said-${listen.code}` }));
      return { ...made, entry, ...listen };
    });
    $("review-list").replaceChildren(...fields.map((one) => one.entry));
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
    for (const { field } of fields) field.readOnly = true;
    return fields
      .map((one) => [one.code, number(one.field.value), one.overall])
      .filter(([, value, before]) => value !== before)
      .map(([code, value]) => [code, value]);
  }

  function choices(place, type, name, options) {
    $(place).replaceChildren(...options.map(([value, text]) => {
      const label = document.createElement("label");
      const field = Object.assign(document.createElement("input"), { type, name, value });
      label.append(field, ` ${text}`);
      return label;
    }));
  }

  const chosen = (name) => [...document.querySelectorAll(`input[name=${name}]:checked`)].map((one) => one.value);

  /* At the round's end: {cuts: [codes], keep: code, "none" or null}. Nothing is preset; what was said of each form
     stands beside. */
  async function questions(ratings, aspects) {
    $("questions-said").replaceChildren(...ratings.map((listen) => {
      const entry = document.createElement("div");
      const head = Object.assign(document.createElement("p"), { textContent: `${listen.code}: ${listen.overall}` });
      entry.append(head, said(listen, aspects));
      return entry;
    }));
    const named = ratings.map(({ code }) => [String(code), String(code)]);
    choices("questions-cuts", "checkbox", "cuts", named);
    choices("questions-keep", "radio", "keep", [...named, ["none", "none of them"], ["", "no answer"]]);
    enable("questions-done", true);
    show("questions");
    await submitted("questions-form");
    enable("questions-done", false);
    const [keep = ""] = chosen("keep");
    return {
      cuts: chosen("cuts").map(Number),
      keep: keep === "none" ? keep : Number(keep) || null,
    };
  }

  return { number, changed, judge, rate, review, questions };
})();
