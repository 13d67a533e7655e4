"use strict";
/* What is heard on the sheets, what is tapped along, and files that are dropped. */
const Sounds = (() => {
  let current = null; // the button that plays
  let fromFrame = 0;
  let rate = 0;
  let following = null;
  const byId = (id) => document.getElementById(id);

  /* Seconds in the bounce of what is heard at this moment; null while no passage of the song plays. */
  function songAt_s() {
    const heard = Player.heard_s();
    return heard === null || !current || current.dataset.play !== "song" ? null : fromFrame / rate + heard;
  }

  function press(button) {
    if (button === current || button.getAttribute("aria-pressed") === "true") {
      Player.stop();
      return;
    }
    if (!Player.wasHeard() && !byId("caution").dataset.read) {
      caution(button);
      return;
    }
    start(button).catch((error) => Maker.complain(error.message, button));
  }

  /* Before the first sound stands the caution, once a tab. */
  function caution(button) {
    const box = byId("caution");
    box.hidden = false;
    const go = byId("caution-go");
    go.onclick = () => {
      box.dataset.read = "1";
      box.hidden = true;
      const same = button.isConnected ? button : byId(button.id);
      same?.focus();
      if (same) start(same).catch((error) => Maker.complain(error.message, same));
    };
    box.scrollIntoView({ block: "nearest" });
    go.focus();
  }

  async function start(button) {
    const kind = button.dataset.play;
    const asked = button.dataset.query ? JSON.parse(button.dataset.query) : {};
    rate = Number(button.dataset.rate);
    fromFrame = Number(button.dataset.from || 0);
    const frames = button.dataset.frames ? Number(button.dataset.frames) : null;
    const click = byId("with-click");
    if (click && kind === "song") asked.click = click.checked ? "1" : "0";
    Player.stop();
    current = button;
    mark(button, true);
    if (button.dataset.heard) note(button);
    await Player.play({
      rate,
      frames,
      piece: async (offset, length) => {
        const range = kind === "song" ? { from: fromFrame + offset, frames: length } : {};
        const response = await Maker.request("GET", `/api/sound/${kind}?${Maker.query({ ...asked, ...range })}`, undefined, true);
        return { bytes: await response.arrayBuffer(), channels: Number(response.headers.get("Fair-Channels")) };
      },
      ended: () => {
        mark(button, false);
        current = null;
        document.body.classList.remove("plays");
      },
    });
  }

  function mark(button, plays) {
    for (const one of [button, byId(button.id)]) {
      if (!one) continue;
      one.setAttribute("aria-pressed", String(plays));
    }
    document.body.classList.toggle("plays", plays);
    if (plays && !following) following = setInterval(follow, 60);
  }

  /* Where the song is, in bars and beats: words, no picture that moves. */
  function follow() {
    const place = byId("place");
    const at = songAt_s();
    if (at === null) {
      if (!Player.playing()) {
        clearInterval(following);
        following = null;
      }
      if (place) place.textContent = "";
      return;
    }
    if (!place || !place.dataset.lines) return;
    const beats = JSON.parse(place.dataset.lines); // [[first bar, seconds, beat seconds, beats in a bar], …]
    const found = beats.filter((x) => x[1] <= at + 1e-6).at(-1);
    if (!found) place.textContent = "before bar 1";
    else {
      const gone = Math.floor((at - found[1]) / found[2] + 1e-6);
      place.textContent = `bar ${found[0] + Math.floor(gone / found[3])}, beat ${(gone % found[3]) + 1}`;
    }
  }

  function note(button) {
    Maker.request("POST", "/api/do/heard", { args: JSON.parse(button.dataset.heard), version: "", sheet: Maker.sheet(), shown: Maker.shown() })
      .catch(() => {}); // hearing does not wait for it
  }

  /* A sheet that comes anew while its sound plays on: its button is the one that plays. */
  document.addEventListener("sheet", () => {
    if (!current || current.isConnected || !byId(current.id)) return;
    current = byId(current.id);
    mark(current, true);
  });

  const inField = (target) => target.matches("input, textarea, select");

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-here]");
    if (button) here(button);
  });

  function here(button) {
    const at = songAt_s();
    if (at === null) {
      Maker.complain("Play the song first; then press this at the place that is meant.", button);
      return;
    }
    Maker.act(button.dataset.here, { at_s: at }, button);
  }

  document.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || inField(event.target) || songAt_s() === null) return;
    const button = document.querySelector("button[data-enter]");
    if (!button || (event.target.matches("button, a") && event.target !== current)) return;
    event.preventDefault();
    here(button);
  }, true);

  return { press, songAt_s, playingButton: () => current };
})();

/* Taps along with the song, or without it: times in the song, in seconds, from the context's own clock. */
const Taps = (() => {
  let taps = [];
  let free = [];
  const PAUSE_S = 4; // a longer one begins anew
  const byId = (id) => document.getElementById(id);

  function tap() {
    const now = performance.now() / 1000;
    if (free.length && now - free.at(-1) > PAUSE_S) clear();
    const at = Sounds.songAt_s();
    if (at !== null) taps.push(at);
    else taps = [];
    free.push(now);
    count();
  }

  function count() {
    const words = `${free.length} ${free.length === 1 ? "tap" : "taps"}`;
    byId("taps-count").textContent = free.length ? `${words}${free.length < 16 ? " of 16" : ""}` : "";
    byId("taps-go").disabled = free.length < 16;
  }

  function clear() {
    taps = [];
    free = [];
    if (byId("taps-count")) count();
  }

  document.addEventListener("pointerdown", (event) => {
    const button = event.target.closest("#tap");
    if (!button) return;
    event.preventDefault();
    button.focus();
    tap();
  });
  document.addEventListener("keydown", (event) => {
    const button = byId("tap");
    if (!button || event.key !== " " || event.repeat || event.target.matches("input, textarea, select")) return;
    const stays = event.target === button || event.target === document.body || event.target.matches("h1") || event.target === Sounds.playingButton();
    if (!stays) return;
    event.preventDefault();
    tap();
  }, true);
  document.addEventListener("keyup", (event) => {
    if (event.key === " " && byId("tap") && event.target.matches("button") && (event.target.id === "tap" || event.target === Sounds.playingButton())) event.preventDefault();
  }, true);
  document.addEventListener("click", (event) => {
    if (event.target.closest("#taps-go")) {
      Maker.act("taps", { at_s: taps.length === free.length ? taps : [], free_s: free }, byId("taps-go")).then(clear);
    } else if (event.target.closest("#taps-clear")) clear();
  });
  document.addEventListener("sheet", () => byId("taps-count") && count());

  return {};
})();

/* Files dropped onto a place of the page, or chosen there: sent as they are, with progress. */
const Uploads = (() => {
  function send(file, kind, said) {
    return new Promise((resolve, reject) => {
      const sending = new XMLHttpRequest(); // fetch tells nothing of how far a sending is
      sending.open("PUT", `/api/upload/${kind}?${Maker.query({ name: file.name })}`);
      sending.setRequestHeader("Authorization", `Bearer ${sessionStorage.getItem("maker")}`);
      sending.upload.onprogress = (event) => {
        said(event.lengthComputable ? `${file.name}: ${Math.round((100 * event.loaded) / event.total)} %` : `${file.name} …`);
      };
      sending.onerror = () => reject(new Error(`${file.name} was not taken: the connection broke off. Nothing was kept of it.`));
      sending.onload = () => {
        let told = {};
        try {
          told = JSON.parse(sending.responseText);
        } catch {
          // not ours: the sentence below stands
        }
        if (sending.status < 300) resolve(told.name);
        else reject(new Error(told.text || `The server answered ${sending.status}.`));
      };
      sending.send(file);
    });
  }

  async function take(files, kind, place) {
    const box = place.closest("[data-place]") || place;
    const said = (text) => Maker.say(text);
    const names = [];
    try {
      for (const file of files) names.push(await send(file, kind, said));
    } catch (error) {
      Maker.say("");
      Maker.complain(error.message, box);
      return;
    }
    Maker.say(`${names.join(", ")}: taken.`);
    if (place.value !== undefined) place.value = "";
    if (kind === "bundle") await Maker.act("open_bundle", { bundle: names[0] }, box);
    else if (kind === "answers") await Maker.act("collect", {}, box);
    else if (kind === "bounce") await Maker.show("song", { bounce: names[0] });
    else if (kind === "stem" && document.getElementById("begin-form")) await Maker.show("song");
    else if (kind === "stem") await Maker.act("use_stems", { folder: "stems" }, box);
    else await Maker.show("song", { map: names[0] });
  }

  for (const kind of ["dragover", "drop"]) {
    document.addEventListener(kind, (event) => {
      const place = event.target.closest?.("[data-dropped]");
      event.preventDefault(); // a file that misses its place must not replace the page
      if (kind === "drop" && place) take([...event.dataTransfer.files], place.dataset.dropped, place);
    });
  }

  return { take };
})();
