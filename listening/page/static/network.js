"use strict";
/* Requests to the page's server, which go on until there is an answer (what is asked for twice is done once: the
   server sees to that), and sound that is fetched ahead and kept. */
const Network = (() => {
  const TRY_S = 20;
  const WAITS_S = [0.5, 1, 2, 3, 5];
  const LOST = "No connection at the moment. What you wrote is kept here; this page goes on trying.";
  const token = location.hash.slice(1);
  let away = false;

  const sleep = (seconds) => new Promise((resolve) => setTimeout(resolve, seconds * 1000));
  const online = () => new Promise((resolve) => window.addEventListener("online", resolve, { once: true }));

  function request(method, path, body, { headers = {}, ...options } = {}) {
    const sent = {
      Authorization: `Bearer ${token}`, "Fair-Minutes-East": String(-new Date().getTimezoneOffset()), ...headers,
    };
    if (body !== undefined) sent["Content-Type"] = "application/json";
    const text = body === undefined ? undefined : JSON.stringify(body);
    return fetch(path, { method, headers: sent, body: text, cache: "no-store", ...options });
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

  /* `quiet()`: nobody waits for it, so nothing is said. A signal that is aborted ends it (AbortError). */
  async function persist(attempt, { quiet = () => false, signal = null } = {}) {
    const say = (text) => {
      if (!quiet()) connected(text);
    };
    for (let tries = 0; ; tries += 1) {
      let wait = WAITS_S[Math.min(tries, WAITS_S.length - 1)];
      try {
        const response = await attempt();
        signal?.throwIfAborted();
        if (response.ok) {
          const told = await response.json();
          say("");
          return told;
        }
        const told = await refusal(response);
        if (response.status < 500 && response.status !== 429) {
          say("");
          throw told;
        }
        say(told.message);
        wait = Math.max(wait, Math.min(Number(response.headers.get("Retry-After")) || 0, 60));
      } catch (error) {
        if (error instanceof Flow.Refused) throw error;
        signal?.throwIfAborted();
        say(LOST);
      }
      await Promise.race([sleep(wait), online()]);
      signal?.throwIfAborted();
    }
  }

  /* The signal gives a request up when nothing was heard of it for TRY_S; alive() says that something was. */
  function patience(also = null) {
    const giving = new AbortController();
    also?.addEventListener("abort", () => giving.abort(), { once: true });
    let waiting = null;
    const alive = () => {
      clearTimeout(waiting);
      waiting = setTimeout(() => giving.abort(), TRY_S * 1000);
    };
    alive();
    return { signal: giving.signal, alive };
  }

  /* `body` may be a function, asked anew for each attempt. */
  const ask = (method, path, body, signal = null) =>
    persist(() => {
      const made = typeof body === "function" ? body() : body;
      return request(method, path, made, { signal: patience(signal).signal });
    }, { signal });

  function larger(bytes) {
    const room = new Uint8Array(2 * bytes.length + 1);
    room.set(bytes);
    return room;
  }

  /* Fetches sound into one piece of memory, and after a lost connection only what is still missing of it (or all
     of it, where something on the way does not tell its length). `job` is told how far it is. */
  async function fetchInto(job) {
    let bytes = new Uint8Array(0);
    let told = false;
    const more = async () => {
      if (!told) job.got = 0;
      const { signal, alive } = patience(job.ending.signal);
      const headers = job.got > 0 ? { Range: `bytes=${job.got}-` } : {};
      const response = await request("GET", job.path, undefined, { headers, signal });
      if (!response.ok) return response;
      if (response.status === 200) {
        told = response.headers.has("Content-Length") && !response.headers.has("Content-Encoding");
        bytes = new Uint8Array(told ? Number(response.headers.get("Content-Length")) : 2 ** 20);
        job.of = told ? bytes.length : job.of;
        job.got = 0;
      }
      const reader = response.body.getReader();
      for (;;) {
        const { done, value } = await reader.read();
        if (done) break;
        while (job.got + value.length > bytes.length) bytes = larger(bytes);
        bytes.set(value, job.got);
        job.got += value.length;
        job.came(value.length);
        alive();
      }
      if (told && job.got < bytes.length) throw new Error("cut short");
      return { ok: true, json: async () => null };
    };
    await persist(more, { quiet: () => !job.waited, signal: job.ending.signal });
    return told ? bytes.buffer : bytes.buffer.slice(0, job.got);
  }

  /* A download under way. Its speed is that of the last seconds, as a line's changes. */
  function download(path, of) {
    const RECENT_S = 8;
    let parts = [[performance.now() / 1000, 0]];
    const job = {
      path, of, got: 0, waited: false, ending: new AbortController(),
      came(size) {
        const now = performance.now() / 1000;
        parts = [...parts.filter(([at]) => at > now - RECENT_S), [now, size]];
      },
      progress() {
        const span_s = performance.now() / 1000 - parts[0][0];
        const came = parts.slice(1).reduce((sum, [, size]) => sum + size, 0);
        const left_s = span_s > 1 && came > 0 && job.of ? ((job.of - job.got) * span_s) / came : null;
        return { got: job.got, of: job.of, left_s };
      },
    };
    job.bytes = fetchInto(job);
    job.bytes.catch(() => {}); // whoever waits for it hears of it
    return job;
  }

  const kept = new Map(); // path -> download: the form that is due, and the next one

  /* Begins to fetch, unless it is under way or here already. */
  function ahead(path, of = null) {
    if (!kept.has(path)) kept.set(path, download(path, of));
    return kept.get(path);
  }

  function keepOnly(paths) {
    for (const [path, job] of kept) {
      if (paths.includes(path)) continue;
      job.ending.abort();
      kept.delete(path);
    }
  }

  /* A copy of the sound, when it is here; show() is told four times a second how far it is. */
  async function sound(path, of, show) {
    const job = ahead(path, of);
    job.waited = true;
    const shown = setInterval(() => show(job.progress()), 250);
    show(job.progress());
    try {
      return (await job.bytes).slice(0);
    } catch (error) {
      kept.delete(path);
      throw error;
    } finally {
      job.waited = false;
      clearInterval(shown);
    }
  }

  return { token, request, refusal, ask, ahead, keepOnly, sound };
})();
