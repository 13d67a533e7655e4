"use strict";
/* The driver of the maker's page: sheets come from the server as fragments, actions go back as JSON.
   The tab's token lives in its session storage: a reload keeps it, another tab or page does not see it. */
const Maker = (() => {
  const SHEETS = ["song", "sections", "forms", "listeners", "rounds", "verdict"];
  const STORE = "maker";
  const byId = (id) => document.getElementById(id);
  const sheetBox = byId("sheet");
  const STOPS = "button, a[href], input, select, textarea, summary"; // where Tab stops
  let token = "";
  let sheet = "first";
  let shown = {};
  let version = "";
  let own = true; // whether song.toml is as this page wrote it
  let pulse = "";
  let busy = 0;
  let again = null; // the last action, where song.toml was changed elsewhere meanwhile

  class Refused extends Error {
    constructor(word, text) {
      super(text);
      this.word = word;
    }
  }

  async function request(method, path, body, raw = false) {
    const options = { method, headers: { Authorization: `Bearer ${token}` }, cache: "no-store" };
    if (body !== undefined) {
      options.body = JSON.stringify(body);
      options.headers["Content-Type"] = "application/json";
    }
    let response;
    try {
      response = await fetch(path, options);
    } catch {
      throw new Refused("away", "The page's server has stopped (Ctrl-C, or its terminal was closed). What is kept is kept; `fairhearing open` takes it up again.");
    }
    if (!response.ok) {
      const told = await response.json().catch(() => ({ word: "trouble", text: `The server answered ${response.status}.` }));
      throw new Refused(told.word, told.text);
    }
    return raw ? response : response.json();
  }

  const query = (values) => new URLSearchParams(values).toString();

  /* --- sheets ----------------------------------------------------------------------------------------- */

  function say(text, offer = null) {
    const notice = byId("notice");
    notice.replaceChildren();
    if (text) notice.append(text);
    if (offer) {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "small";
      button.textContent = offer.words;
      button.addEventListener("click", offer.does);
      notice.append(" ", button);
    }
  }

  let asked = 0; // an answer to an earlier request must not replace that to a later one

  /* A sheet that comes anew between press and release would move what is pressed from under the pointer, and the
     click would meet something else. So it waits for the release and its click (after a touch that comes later). */
  const PRESSED = "button, a, summary, label, input[type=checkbox], input[type=radio]";
  let pressed = null;
  let release = () => {};
  document.addEventListener("pointerdown", (event) => {
    if (pressed || event.button !== 0 || !event.target.closest(PRESSED)) return;
    pressed = new Promise((resolve) => { release = () => { pressed = null; resolve(); }; });
  }, true);
  for (const end of ["pointerup", "pointercancel", "contextmenu"]) {
    document.addEventListener(end, (event) => setTimeout(release, event.pointerType === "touch" ? 60 : 0), true);
  }
  window.addEventListener("blur", () => release());

  async function show(name = sheet, more = {}) {
    if (name !== sheet) Player.stop();
    asked += 1;
    const mine = asked;
    Object.assign(shown, more);
    busy += 1;
    try {
      const told = await request("GET", `/api/sheet/${name}?${query(shown)}`);
      await pressed;
      if (mine === asked) take(told);
    } finally {
      busy -= 1;
    }
  }

  function take(told) {
    const changed = told.sheet !== sheet;
    const focus = document.activeElement;
    const stops = sheetBox.contains(focus) ? [...sheetBox.querySelectorAll(STOPS)] : [];
    sheet = told.sheet;
    version = told.version;
    own = told.own;
    pulse = told.pulse;
    Object.assign(shown, told.show);
    document.body.dataset.sheet = sheet;
    Renew.into(sheetBox, told.html, changed);
    for (const link of document.querySelectorAll("#sheets a")) {
      const name = link.getAttribute("href").slice(1);
      if (name === sheet) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
      link.querySelector("small").textContent = told.stands[name];
    }
    const undo = byId("undo");
    undo.hidden = !told.undo;
    undo.textContent = told.undo ? `Undo: ${told.undo}` : "Undo";
    if (location.hash.slice(1) !== sheet) history.replaceState(null, "", `#${sheet}`);
    document.title = `${sheetBox.querySelector("h1")?.textContent || "Song"} · the maker's page`;
    if (changed) {
      sheetBox.querySelector("h1")?.focus();
      window.scrollTo(0, 0);
    } else if (stops.length && !focus.isConnected) stay(stops, stops.indexOf(focus));
    if (told.notice) say(told.notice);
    document.dispatchEvent(new CustomEvent("sheet", { detail: sheet }));
  }

  /* The place of the focus went: it goes to what came in its stead, else to what stood before it. */
  function stay(stops, at) {
    const same = at >= 0 && stops[at].id ? byId(stops[at].id) : null;
    const before = stops.slice(0, Math.max(at, 0)).reverse().find((one) => one.isConnected && !one.disabled);
    (same || before || sheetBox.querySelector("h1"))?.focus({ preventScroll: true });
  }

  /* --- actions ---------------------------------------------------------------------------------------- */

  let turn = Promise.resolve();

  /* One after the other: a second press does not trip over the first, whose change it cannot have seen. */
  function act(...given) {
    from(given)?.setAttribute("aria-busy", "true");
    const done = turn.then(() => perform(...given));
    turn = done.catch(() => {});
    return done;
  }
  const from = (given) => given[2];

  async function perform(action, args = {}, from = null, more = {}) {
    await pressed; // a sheet that waited comes first: the action is one on what is there now
    const place = from?.closest("[data-place]") || from;
    for (const old of sheetBox.querySelectorAll(".error[data-said]")) old.remove();
    for (const one of sheetBox.querySelectorAll("[data-asked]")) unask(one);
    from?.setAttribute("aria-busy", "true");
    say("…");
    busy += 1;
    try {
      asked += 1;
      const mine = asked;
      Object.assign(shown, more);
      const told = await request("POST", `/api/do/${action}`, { args, version, sheet, shown });
      await pressed;
      again = null;
      say("");
      if (from) fieldsIn(from).forEach(Renew.settled);
      if (mine === asked) take(told);
      else version = told.version; // another sheet was asked for meanwhile
      return true;
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      say("");
      if (from?.type === "checkbox") from.checked = from.defaultChecked;
      if (error.word === "changed") {
        again = { action, args, more };
        await show().catch(() => {});
        say(error.message, { words: "Do it again", does: () => again && act(again.action, again.args, null, again.more) });
      } else complain(error.message, place);
      return false;
    } finally {
      busy -= 1;
      from?.removeAttribute("aria-busy");
    }
  }

  /* A sentence where it arose; on top where its place is gone. */
  function complain(text, place) {
    if (!place || !place.isConnected) {
      say(text);
      return;
    }
    const words = document.createElement("p");
    words.className = "error";
    words.dataset.said = "1";
    words.setAttribute("role", "alert");
    words.textContent = text;
    if (place.matches("[data-place]")) place.append(words);
    else place.after(words);
  }

  const fieldsIn = (place) => [...(place.matches("form") ? place.elements : [place])].filter((one) => one.matches("input, textarea, select"));
  const argsOf = (element) => (element.dataset.args ? JSON.parse(element.dataset.args) : {});

  function fieldsOf(form) {
    const args = argsOf(form);
    for (const field of form.elements) {
      if (!field.name || field.disabled || field.type === "file") continue;
      if (field.type === "checkbox" && field.value !== "on") {
        args[field.name] = args[field.name] || [];
        if (field.checked) args[field.name].push(field.value);
      } else if (field.type === "checkbox") args[field.name] = field.checked;
      else if (field.type === "radio") {
        if (field.checked) args[field.name] = field.value;
      } else args[field.name] = field.value;
    }
    return args;
  }

  document.addEventListener("click", (event) => {
    const link = event.target.closest("#sheets a");
    if (link) {
      event.preventDefault();
      say("");
      show(link.getAttribute("href").slice(1)).catch((error) => say(error.message));
      return;
    }
    const button = event.target.closest("button");
    if (!button || button.disabled) return;
    if (button.dataset.ask && button.dataset.asked !== "1") {
      askTwice(button);
      return;
    }
    if (button.dataset.do) {
      act(button.dataset.do, argsOf(button), button, button.dataset.then ? JSON.parse(button.dataset.then) : {});
    }
    else if (button.dataset.show) show(sheet, JSON.parse(button.dataset.show)).catch((error) => say(error.message));
    else if (button.dataset.play) Sounds.press(button);
    else if (button.dataset.copy) copy(button);
    else if (button.dataset.download) download(button);
    else if (button.id === "undo") act("undo", {}, button);
    else if (button.id === "another") another();
  });

  /* What cannot be taken back is asked about in words, at its place, and done on the second press. */
  function askTwice(place) {
    const button = buttonOf(place);
    place.dataset.asked = "1";
    place.dataset.words = button.textContent;
    button.textContent = place.dataset.yes || "Yes, do it";
    complain(place.dataset.ask, place);
  }

  function unask(place) {
    delete place.dataset.asked;
    buttonOf(place).textContent = place.dataset.words;
  }

  const buttonOf = (place) => (place.matches("form") ? place.querySelector("button:not([type=button])") : place);

  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-do]");
    if (!form) return;
    event.preventDefault();
    if (form.dataset.ask && form.dataset.asked !== "1") {
      askTwice(form);
      return;
    }
    for (const field of fieldsIn(form)) field.dataset.sent = field.value;
    act(form.dataset.do, fieldsOf(form), form, form.dataset.then ? JSON.parse(form.dataset.then) : {});
  });

  document.addEventListener("change", (event) => {
    const field = event.target;
    if (field.dataset.drop) {
      Uploads.take([...field.files], field.dataset.drop, field);
      return;
    }
    if (!field.dataset.do) return;
    const args = argsOf(field);
    args[field.dataset.arg || field.name] = field.type === "checkbox" ? field.checked : field.value;
    field.dataset.sent = field.value;
    act(field.dataset.do, args, field);
  });

  /* To the browser, what was typed before a sheet came anew may be no change any more; leaving the field keeps it. */
  document.addEventListener("focusout", (event) => {
    const field = event.target;
    if (!field.dataset.do || !field.isConnected || !field.matches("input[type=text], textarea, select")) return;
    if (field.value === Renew.ownValue(field) || field.value === field.dataset.sent) return;
    field.dispatchEvent(new Event("change", { bubbles: true }));
  });

  document.addEventListener("keydown", (event) => {
    const inField = event.target.matches("input, textarea, select");
    if ((event.ctrlKey || event.metaKey) && event.key === "z" && !event.shiftKey && !inField && !byId("undo").hidden) {
      event.preventDefault();
      act("undo", {}, byId("undo"));
    }
    if (event.key === "Escape" && Player.playing()) Player.stop();
  });

  async function copy(button) {
    const words = byId(button.dataset.copy);
    try {
      await navigator.clipboard.writeText(words.textContent);
      say("Copied.");
    } catch {
      getSelection().selectAllChildren(words);
      complain("This browser lets no page copy; the message is marked, so copy it by the keys that you know.", button);
    }
  }

  async function download(button) {
    for (const old of sheetBox.querySelectorAll(".error[data-said]")) old.remove();
    button.setAttribute("aria-busy", "true");
    try {
      const { ticket } = await request("POST", `/api/ticket/${button.dataset.download}`, { name: button.dataset.name || "" });
      const link = document.createElement("a");
      link.href = `/file/${ticket}`;
      link.download = "";
      link.click();
    } catch (error) {
      complain(error.message, button);
    } finally {
      button.removeAttribute("aria-busy");
    }
  }

  async function another() {
    const tab = window.open("", "_blank");
    const { key } = await request("POST", "/api/key", {});
    if (tab) tab.location.replace(`/#${key}`);
  }

  /* --- what others change ----------------------------------------------------------------------------- */

  async function watch() {
    for (;;) {
      let pause = 1000;
      try {
        const told = await request("GET", "/api/pulse");
        for (const [kind, job] of Object.entries(told.jobs)) {
          if (job.state === "runs") pause = 300;
          for (const line of document.querySelectorAll(`[data-job="${kind}"]`)) {
            line.textContent = job.state === "runs" ? job.words : "";
            const bar = line.parentElement.querySelector("progress");
            if (bar && job.of) bar.value = job.done / job.of;
          }
        }
        if (told.pulse !== pulse && !busy) {
          const before = version;
          await show();
          if (before !== version && before !== "none" && !again && !own) say("song.toml was changed elsewhere; this is how it stands now.");
        }
        document.body.classList.remove("away");
      } catch (error) {
        if (error.word === "away" && !document.body.classList.contains("away")) {
          document.body.classList.add("away");
          say(error.message);
        }
        if (error.word === "link") return;
        pause = 2000;
      }
      await new Promise((resolve) => setTimeout(resolve, pause));
    }
  }

  /* --- begin ------------------------------------------------------------------------------------------ */

  async function begin() {
    const hash = location.hash.slice(1);
    token = sessionStorage.getItem(STORE) || "";
    if (SHEETS.includes(hash)) sheet = hash;
    else if (hash) {
      history.replaceState(null, "", location.pathname);
      ({ token } = await request("POST", "/api/enter", { key: hash }));
      sessionStorage.setItem(STORE, token);
    }
    await show();
    watch();
  }

  begin().catch((error) => {
    sheetBox.replaceChildren();
    const words = document.createElement("p");
    words.className = "lead";
    words.textContent = error.message;
    sheetBox.append(words);
  });

  return { request, act, show, say, complain, query, sheet: () => sheet, shown: () => shown };
})();
