"""Serving the page as a program of its own: links, ports, what is said, and how it ends."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from sessions.study import Study
from tests.page_study import copied, rendered_short
from tests.serving import free_port

__all__ = ["rendered_short"]
SERVE = """
from pathlib import Path
from sessions.study import Study
from listening.page.host import serve, open_for
"""


@pytest.fixture
def folder(rendered_short: Path, tmp_path: Path) -> Path:
    return copied(rendered_short, tmp_path / "study").folder


class Program:
    """A program that serves; its lines are read until it says what is waited for."""

    def __init__(self, folder: Path, call: str, env: dict[str, str]) -> None:
        code = f"{SERVE}{call.format(study=f'Study(Path({str(folder)!r}))')}"
        self.process = subprocess.Popen(
            [sys.executable, "-u", "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env=os.environ | env,
        )  # fmt: skip
        self.said = ""

    def until(self, words: str) -> str:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said += line
            if words in line:
                return self.said
        raise AssertionError(f"it ended: {self.said}{self.process.stderr and self.process.stderr.read()}")

    def interrupt(self) -> str:
        """Ctrl-C; returns what it said last."""
        self.process.send_signal(signal.SIGINT)
        out, err = self.process.communicate(timeout=60)
        assert (self.process.returncode, err) == (0, "")
        return out


@contextmanager
def program(folder: Path, call: str, **env: str) -> Iterator[Program]:
    made = Program(folder, call, env)
    try:
        yield made
    finally:
        if made.process.poll() is None:
            made.process.kill()
            made.process.communicate()


def state(address: str) -> httpx.Response:
    base, _, token = address.partition("/#")
    for _ in range(600):
        try:
            return httpx.get(f"{base}/api/state", headers={"Authorization": f"Bearer {token}"}, timeout=30)
        except httpx.ConnectError:
            time.sleep(0.05)
    raise AssertionError(f"{base} does not answer")


def test_links_are_shown_once_and_go_on_working(folder: Path) -> None:
    port = free_port()
    with program(folder, f"serve({{study}}, port={port})") as host:
        said = host.until("until you press Ctrl-C")
        addresses = dict(re.findall(r"^(.+), and nobody else:\n(http://127\.0\.0\.1:\d+/#\S+)$", said, re.M))
        assert list(addresses) == ["ana", "bo", "Zoë <b>"]
        assert "▀" not in said, "no phone could open what a code would say"
        assert "no QR codes" in said and "--lan" in said and "--address URL" in said
        assert "this machine only" in said
        for name, address in addresses.items():
            assert state(address).json()["listener"] == name
        assert "Stopped" in host.interrupt()
    with program(folder, f'serve({{study}}, port={port}, renew=["bo"])') as host:
        said = host.until("until you press Ctrl-C")
        assert "ana: the link of" in said and "still works" in said
        assert state(addresses["ana"]).status_code == 200
        assert state(addresses["bo"]).status_code == 401
        (fresh,) = re.findall(r"http://127\.0\.0\.1:\d+/#\S+", said)
        assert state(fresh).json()["listener"] == "bo"
        host.interrupt()


def test_the_lan_is_opened_on_request_only_and_in_plain_words(folder: Path) -> None:
    with program(folder, f"serve({{study}}, lan=True, port={free_port()})") as host:
        said = host.until("until you press Ctrl-C")
        assert "open to every device in this network" in said and "not encrypted" in said
        (base,) = set(re.findall(r"(http://\S+)/#", said))
        assert httpx.get(base, timeout=30).status_code == 200
        assert httpx.get(base, headers={"Host": "elsewhere.example"}, timeout=30).status_code == 400
        reached = "127.0.0.1" not in base  # a machine without a network has nothing to show
        assert (said.count("▀") > 50, "no QR codes" in said) == (reached, not reached)
        host.interrupt()


def test_an_address_from_outside_has_codes(folder: Path) -> None:
    port = free_port()
    call = f'serve({{study}}, address="https://songs.example", port={port})'
    with program(folder, call) as host:
        said = host.until("until you press Ctrl-C")
        assert said.count("https://songs.example/#") == 3 and "this machine only" not in said
        assert said.count("▀") > 50 and "no QR codes" not in said
        assert state(f"http://127.0.0.1:{port}/#none").status_code == 401
        host.interrupt()


def test_a_port_that_is_taken(folder: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with program(folder, f"serve({{study}}, port={port})") as host:
            _out, err = host.process.communicate(timeout=60)
            assert f"port {port} cannot be used" in err


def test_one_listener_here_opens_the_browser_and_leaves_no_open_link(folder: Path, tmp_path: Path) -> None:
    opened = tmp_path / "opened"
    script = tmp_path / "browser"
    script.write_text(f'#!/bin/sh\nprintf %s "$1" > {opened}\n')
    script.chmod(0o755)
    with program(folder, 'open_for({study}, "bo", True)', BROWSER=f"{script} %s") as host:
        host.until("opens in your browser")
        for _ in range(600):
            if opened.exists() and opened.read_text():
                break
            time.sleep(0.05)
        address = opened.read_text()
        assert address.startswith("http://127.0.0.1:")
        assert state(address).json()["listener"] == "bo"
        host.interrupt()
    from listening.links import links

    assert links(Study(folder)) == []
