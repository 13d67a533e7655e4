"""`open`: the key is in no process list, a folder or a bounce is taken, a starter file for a double click."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from listening.maker.starter import write_starter
from render.errors import StudyError
from tests.command_line import told
from tests.places import ROOT
from tests.songs import make_study

BROWSER = r"""#!/bin/sh
printf '%s\n' "$@" >> "{seen}"
"""


def test_the_page_is_served_and_its_key_is_in_no_process_list(tmp_path: Path) -> None:
    study = make_study(tmp_path / "study")
    seen, browser = tmp_path / "seen", tmp_path / "browser"
    browser.write_text(BROWSER.format(seen=seen))
    browser.chmod(0o755)
    env = os.environ | {"PYTHONPATH": str(ROOT), "BROWSER": str(browser), "TMPDIR": str(tmp_path)}
    command = [sys.executable, "-u", "-m", "listening.cli", "open", str(study / "song.wav")]
    process = subprocess.Popen(command, cwd=tmp_path, env=env, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    said = ""
    while "Ctrl-C" not in said:
        line = process.stdout.readline()
        assert line, said
        said += line
    match = re.search(r"(http://127\.0\.0\.1:[0-9]+)/#([0-9A-Za-z_-]{40,})", said)
    assert match, said
    base, key = match.groups()
    token = httpx.post(f"{base}/api/enter", json={"key": key}).json()["token"]
    sheet = httpx.get(f"{base}/api/sheet/song", headers={"Authorization": f"Bearer {token}"})
    assert sheet.status_code == 200 and "Invented" in sheet.json()["html"]
    for _ in range(200):
        if seen.exists() and seen.read_text().strip():
            break
        httpx.get(base)
    handed = seen.read_text()
    assert "file://" in handed and key not in handed, "the browser is given a file, not the key"
    process.send_signal(signal.SIGINT)
    rest = process.stdout.read()
    assert process.wait(timeout=60) == 0 and "Stopped" in rest


def test_there_is_no_such_folder(tmp_path: Path) -> None:
    assert "there is no folder or file" in told(tmp_path, "open", str(tmp_path / "x"), code=1, study=False)


@pytest.mark.parametrize(
    "platform, ending", [("darwin", ".command"), ("win32", ".bat"), ("linux", ".desktop")]
)
def test_a_starter_file(tmp_path: Path, platform: str, ending: str) -> None:
    study = make_study(tmp_path / "my song 100%")
    path = write_starter(study, tmp_path, platform)
    assert path.suffix == ending and path.stat().st_mode & 0o111
    text = path.read_text()
    assert "open" in text and "my song 100" in text
    if platform == "linux":
        assert text.startswith("[Desktop Entry]\nType=Application\n") and "100%%" in text
    with pytest.raises(StudyError, match="there already"):
        write_starter(study, tmp_path, platform)
    with pytest.raises(StudyError, match="no folder"):
        write_starter(study, tmp_path / "nowhere", platform)
