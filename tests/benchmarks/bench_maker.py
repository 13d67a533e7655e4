"""What the maker's page costs, as a process of its own: `python -m tests.benchmarks.bench_maker`.

From `open` to a page that answers, from "hear the join" to its samples, level drawings, suggested sections,
the outlook after a change, and the server's memory; beside reading and K-weighting the song once.
Songs are invented noise and tones: 4 minutes at 48 kHz, 10 minutes at 96 kHz. Prints Markdown.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from render.audio.stems import read_audio
from tests.meter_series import measure
from tests.places import ROOT
from tests.songs import make_study

SONGS = (("4 minutes, 48 kHz", 48000, 120), ("10 minutes, 96 kHz", 96000, 300))  # name, rate, bars of 2 s
LONGEST_S = 300.0


@dataclass
class Page:
    """A maker's page in a process of its own, with a tab's token."""

    client: httpx.Client
    process: subprocess.Popen[str]
    answers_s: float

    def do(self, action: str, args: dict[str, Any] | None = None, sheet: str = "song") -> None:
        version = self.client.get(f"/api/sheet/{sheet}").json()["version"]
        body = {"args": args or {}, "version": version, "sheet": sheet, "shown": {}}
        answer = self.client.post(f"/api/do/{action}", json=body)
        assert answer.status_code == 200, answer.text

    def jobs(self) -> dict[str, Any]:
        found: dict[str, Any] = self.client.get("/api/pulse").json()["jobs"]
        return found

    def wait(self, kind: str) -> float:
        """Seconds until a job has ended."""
        since = time.perf_counter()
        while self.jobs().get(kind, {"state": "runs"})["state"] == "runs":
            assert time.perf_counter() - since < LONGEST_S, kind
            time.sleep(0.02)
        assert self.jobs()[kind]["state"] == "done", self.jobs()[kind]
        return time.perf_counter() - since

    def end(self) -> None:
        self.process.send_signal(signal.SIGINT)
        self.process.wait()

    def memory_mb(self) -> tuple[float, float]:
        """Resident memory now and at its peak (Linux)."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        now, peak = (int(re.search(rf"{name}:\s+(\d+)", status)[1]) for name in ("VmRSS", "VmHWM"))  # type: ignore[index]
        return now / 1024, peak / 1024


def opened(folder: Path) -> Page:
    """`fairhearing open` on a folder, until its first sheet has come."""
    since = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "listening.cli", "open", str(folder), "--no-browser"], cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    while not (match := re.search(r"(http://\S+)/#(\S+)", process.stdout.readline())):
        assert process.poll() is None
    client = httpx.Client(base_url=match[1], timeout=LONGEST_S)
    while True:
        try:
            token = client.post("/api/enter", json={"key": match[2]}).json()["token"]
            break
        except httpx.TransportError:
            time.sleep(0.005)
    client.headers["Authorization"] = f"Bearer {token}"
    client.get("/api/sheet/first").raise_for_status()
    return Page(client, process, time.perf_counter() - since)


def seconds(work: Callable[[], object]) -> float:
    since = time.perf_counter()
    work()
    return time.perf_counter() - since


def measured(name: str, rate: int, bars: int) -> str:
    """One row of the table."""
    with tempfile.TemporaryDirectory() as place:
        half = bars // 2
        sections = {"one": f"1-{half}", "two": f"{half + 1}-{bars}"}
        forms = {
            "turned": ["two", "one"], "twice": ["one", "one"], "short": ["one bars 1-8", "two"],
            "gap": ["one", "silence 1 bar", "two"],
        }  # fmt: skip
        folder = make_study(Path(place) / "study", rate=rate, bars=bars, sections=sections, forms=forms)
        baseline = seconds(lambda: measure(read_audio(folder / "song.wav"), rate))
        page = opened(folder)
        try:
            page.client.get("/api/sheet/sections").raise_for_status()
            levels = page.wait("levels")
            page.client.get("/api/sheet/forms").raise_for_status()
            page.wait("joins")
            first, again = (
                seconds(lambda: page.client.get("/api/sound/join?form=turned&index=1").raise_for_status())
                for _ in range(2)
            )
            page.do("suggest", {}, "sections")
            suggest = page.wait("suggest")
            page.do("undo", {}, "sections")
            page.client.get("/api/sheet/listeners")
            page.wait("outlook")
            since = time.perf_counter()
            page.do("plan", {"rounds": 9}, "listeners")
            while "simulated studies" not in page.client.get("/api/sheet/listeners").json()["html"]:
                time.sleep(0.02)
            outlook = time.perf_counter() - since
            page.do("render", {}, "rounds")
            render = page.wait("render")
            now, peak = page.memory_mb()
        finally:
            page.end()
    return (
        f"| {name} | {baseline:.2f} | {page.answers_s:.2f} | {first:.3f} / {again:.3f} | {levels:.2f} "
        f"| {suggest:.2f} | {outlook:.2f} | {render:.2f} | {now:.0f} / {peak:.0f} |"
    )


def begun(name: str, rate: int, bars: int) -> str:
    """The first listening to a bounce, tempo unknown: how long it takes, how often it says where it is, how
    long it goes on after "cancel" in its midst."""
    with tempfile.TemporaryDirectory() as place:
        folder = make_study(Path(place), rate=rate, bars=bars, sections={"all": f"1-{bars}"}, forms={})
        (folder / "song.toml").unlink()
        baseline = seconds(lambda: measure(read_audio(folder / "song.wav"), rate))
        page = opened(folder)
        try:
            page.do("begin", {"bounce": "song.wav"})
            shares, latest = set(), 0.0
            since = last = time.perf_counter()
            while (job := page.jobs()["begin"])["state"] == "runs":
                if job["done"] not in shares:
                    shares.add(job["done"])
                    latest, last = max(latest, time.perf_counter() - last), time.perf_counter()
                time.sleep(0.02)
            took = time.perf_counter() - since
            assert job["state"] == "done", job
            page.wait("fit")
            peak = page.memory_mb()[1]
            (folder / "song.toml").unlink()
            page.do("begin", {"bounce": "song.wav"})
            while page.jobs()["begin"]["done"] < 25:
                time.sleep(0.02)
            page.do("cancel", {"job": "begin"})
            stopped = page_stops(page)
        finally:
            page.end()
    cells = f"{baseline:.2f} | {took:.2f} | {len(shares)} | {latest:.2f} | {stopped:.2f} | {peak:.0f}"
    return f"| {name} | {cells} |"


def page_stops(page: Page) -> float:
    """Seconds until a cancelled job has stopped."""
    since = time.perf_counter()
    while (job := page.jobs()["begin"])["state"] == "runs":
        time.sleep(0.005)
    assert job["state"] == "cancelled", job
    return time.perf_counter() - since


def main() -> None:
    print(
        "| song | read and K-weight once, s | open to answer, s | join: first / again, s | level drawings, s "
        "| sections, s | outlook after a change, s | five forms rendered, s | memory now / peak, MB |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    for song in SONGS:
        print(measured(*song), flush=True)
    print(
        "\n| song | read and K-weight once, s | first listening, s | shares told | longest between two, s "
        "| from cancel to stopped, s | memory at its peak, MB |"
    )
    print("|---|---|---|---|---|---|---|")
    for song in SONGS:
        print(begun(*song), flush=True)


if __name__ == "__main__":
    main()
