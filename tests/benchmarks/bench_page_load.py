"""Fifty listeners at once on the page: every answer acknowledged, none lost, memory bounded. One command:

    python -m tests.benchmarks.bench_page_load [--listeners 50] [--seconds 60]

writes tests/benchmarks/RESULTS_page.md. The server is a process of its own, as `host` runs it; the listeners
do what the page does, in real time: they fetch a form, hear it (12 s), report, rate, comment, take the next.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import platform
import secrets
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any

import httpx

from listening import links
from listening.page.host import listening_socket, page_server, prepare
from listening.page.server import create_app
from sessions.study import Study
from tests.page_study import SONG_TOML, make_study
from tests.unmasking import unmasked

RESULTS = Path(__file__).with_name("RESULTS_page.md")
BAR_S = 4.0
BEAT_S = 5.0
LONGEST_S = 3 * BAR_S + 1  # of a form


@dataclass
class Tally:
    """What the listeners saw."""

    took_s: dict[str, list[float]] = field(default_factory=dict)
    errors: list[str] = field(default_factory=list)
    rated: dict[tuple[str, int], float] = field(default_factory=dict)
    sound_bytes: int = 0


class Listener:
    """One page."""

    def __init__(self, client: httpx.AsyncClient, name: str, token: str, tally: Tally) -> None:
        self.client, self.name, self.tally = client, name, tally
        self.headers = {"Authorization": f"Bearer {token}", "Fair-Minutes-East": "60"}

    async def ask(self, what: str, method: str, path: str, body: Any = None) -> httpx.Response:
        started = time.perf_counter()
        response = await self.client.request(method, path, json=body, headers=self.headers)
        self.tally.took_s.setdefault(what, []).append(time.perf_counter() - started)
        if response.status_code != 200:
            self.tally.errors.append(f"{what}: {response.status_code} {response.text[:100]}")
        return response

    async def spend(self, until: float) -> None:
        state = (await self.ask("state", "GET", "/api/state")).json()
        if state["stage"] == "ready":
            await self.ask("round", "POST", "/api/round")
        level = (await self.ask("level", "POST", "/api/level")).json()
        await self.ask("level sound", "GET", f"/api/level/{level['ticket']}")
        await asyncio.sleep(12.1)
        body = {"heard_on": "headphones", "level": level["ticket"]}
        sitting = (await self.ask("sitting", "POST", "/api/sitting", body)).json()["sitting"]
        for _ in range(3):
            if time.monotonic() + LONGEST_S > until:
                return
            await self.one(sitting)

    async def one(self, sitting: str) -> None:
        due = (await self.ask("due", "POST", "/api/due", {"sitting": sitting})).json()
        code = due["code"]
        sound = await self.ask("sound", "GET", due["sound"])
        self.tally.sound_bytes += len(sound.content)
        seconds = flac_seconds(unmasked(sound.content, int(due["mask"], 16)))
        listen = f"/api/listens/{code}"
        await self.ask("begin", "POST", f"{listen}/begin", {"sitting": sitting, "key": secrets.token_hex(12)})
        began = time.monotonic()
        while (heard_s := time.monotonic() - began) < seconds:
            await asyncio.sleep(min(BEAT_S, seconds - heard_s))
            if heard_s + BEAT_S < seconds:
                await self.ask("heard", "POST", f"{listen}/heard", {"heard_s": heard_s})
        late_s = time.monotonic() - began - seconds
        ended = await self.ask(
            "end", "POST", f"{listen}/end", {"heard_s": seconds, "waited_s": max(late_s, 0)}
        )
        if not ended.json()["counted"]:
            self.tally.errors.append(f"not counted: {ended.text}")
        value = float(secrets.randbelow(101))
        body = {"key": secrets.token_hex(12), "overall": value, "comments": [{"text": "ein Satz dazu"}]}
        if (await self.ask("answer", "POST", f"{listen}/answer", body)).status_code == 200:
            self.tally.rated[(self.name, code)] = value


def flac_seconds(data: bytes) -> float:
    """How long a FLAC file is, by its STREAMINFO (RFC 9639 section 8.2): 20 bits of rate, 36 of frames."""
    head = int.from_bytes(data[18:26])
    return (head & ((1 << 36) - 1)) / (head >> 44)


def peak_mb(pid: int) -> float:
    """The most memory a process has held (Linux)."""
    status = Path(f"/proc/{pid}/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM")) / 1024


def cpu_s(pid: int) -> float:
    """Seconds that a process has kept a core busy, in user and in system mode (Linux, proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


async def crowd(base: str, tokens: dict[str, str], seconds: float) -> Tally:
    tally = Tally()
    limits = httpx.Limits(max_connections=None)
    async with httpx.AsyncClient(base_url=base, timeout=30, limits=limits) as client:
        until = time.monotonic() + seconds
        pages = [Listener(client, name, token, tally) for name, token in tokens.items()]
        done = await asyncio.gather(*(p.spend(until) for p in pages), return_exceptions=True)
        tally.errors += [repr(error) for error in done if error is not None]
    return tally


def serve(folder: Path, port: int) -> None:
    """The server's own process."""
    study = Study(folder)
    app = create_app(study)
    prepare(study, app, lambda _text: None)
    print("ready", flush=True)
    page_server(app).run(sockets=[listening_socket("127.0.0.1", port, print)])


def run(listeners: int, seconds: float) -> list[str]:
    names = [f"listener {n:02}" for n in range(listeners)]
    toml = SONG_TOML.replace('ana = {}\nbo = {}\n"Zoë <b>" = {}\n', "".join(f'"{n}" = {{}}\n' for n in names))
    with tempfile.TemporaryDirectory() as place, socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
        free.close()
        study = make_study(Path(place) / "study", bar_s=BAR_S, toml=toml)
        study.register(study.manifest)
        tokens = {n: links.make(study, n, "").address.rpartition("#")[2] for n in names}
        command = [
            sys.executable,
            "-m",
            "tests.benchmarks.bench_page_load",
            "--serve",
            str(study.folder),
            str(port),
        ]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
            try:
                assert server.stdout is not None and server.stdout.readline() == "ready\n"
                time.sleep(0.5)
                before, busy_before = peak_mb(server.pid), cpu_s(server.pid)
                started = time.monotonic()
                tally = asyncio.run(crowd(f"http://127.0.0.1:{port}", tokens, seconds))
                took_s = time.monotonic() - started
                after, busy_s = peak_mb(server.pid), cpu_s(server.pid) - busy_before
            finally:
                server.terminate()
        kept = {(x.listener, x.code): x.rating for x in study.log.contents().listens if x.rating is not None}
        doubled = sum(len(x.comments) != 1 for x in study.log.contents().listens if x.rating is not None)
    return lines(listeners, took_s, tally, kept, doubled, (before, after), busy_s)


def lines(
    listeners: int, took_s: float, tally: Tally, kept: Mapping[tuple[str, int], float | None], doubled: int,
    memory_mb: tuple[float, float], busy_s: float,
) -> list[str]:  # fmt: skip
    lost = sum(kept.get(key) != value for key, value in tally.rated.items())
    found = [
        "# The listening page under load", "",
        f"{listeners} listeners on loopback for {took_s:.0f} s, {os.cpu_count()} cores (which the listeners "
        f"and other work share), {platform.system()}, Python {platform.python_version()}.", "",
        "| what | figure |", "|---|---|",
        f"| errors | {len(tally.errors)} |",
        f"| ratings acknowledged | {len(tally.rated)} |",
        f"| of these lost or changed | {lost} |",
        f"| ratings in the log beyond these | {len(kept) - len(tally.rated)} |",
        f"| comments doubled or missing | {doubled} |",
        f"| sound sent | {tally.sound_bytes / 1e6:.0f} MB |",
        f"| server's memory before, at most | {memory_mb[0]:.0f} MB, {memory_mb[1]:.0f} MB |",
        f"| server's CPU time | {busy_s:.1f} s |",
        f"| CPU per listener and minute | {60_000 * busy_s / took_s / listeners:.0f} ms |", "",
        "| request | number | median ms | 95 % ms | slowest ms |", "|---|---|---|---|---|",
    ]  # fmt: skip
    for what, times in tally.took_s.items():
        ms = sorted(1000 * t for t in times)
        found.append(
            f"| {what} | {len(ms)} | {median(ms):.0f} | {ms[int(0.95 * (len(ms) - 1))]:.0f} | {ms[-1]:.0f} |"
        )
    return found + [f"\n{error}" for error in tally.errors[:10]]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--listeners", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--serve", nargs=2, metavar=("FOLDER", "PORT"))
    asked = parser.parse_args()
    if asked.serve:
        serve(Path(asked.serve[0]), int(asked.serve[1]))
        return
    done = run(asked.listeners, asked.seconds)
    notes = RESULTS.read_text(encoding="utf-8").partition("\n## ")  # written by hand below the figures
    RESULTS.write_text("\n".join(done) + "\n" + "".join(notes[1:]), encoding="utf-8")
    print("\n".join(done))


if __name__ == "__main__":
    main()
