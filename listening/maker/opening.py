"""Opening the maker's page: the study's folder, a server on this machine, the browser.

The address with its key is handed to the browser inside a file of the owner's own, so that it stands in no
process list; the key works once.
"""

from __future__ import annotations

import html
import os
import shutil
import tempfile
import threading
import time
import webbrowser
from contextlib import suppress
from pathlib import Path

from listening.maker.access import AccessKeys
from listening.maker.downloads import DOWNLOADS
from listening.maker.server import create_app
from listening.maker.sheets.rounds import hosts_of
from listening.maker.sheets.sections import adopt
from listening.maker.starter import OFFER
from listening.maker.workspace import Workspace
from listening.page.host import HERE, Say, listening_socket, page_server
from render.errors import StudyError
from render.files import sweep
from render.song.audio_header import audio_info
from sessions.clock import Clock, system_clock

HOW_IT_STOPS = (
    "It is served to this machine only, until you press Ctrl-C here. What is kept stays kept; listeners that "
    "you let in from the page lose it with the server, and find it again when it runs."
)


def open_page(target: Path, *, store: str | None = None, browser: bool = True, say: Say = print) -> None:
    """Serve the maker's page of a folder, or of the folder a bounce lies in, until interrupted.

    Raises:
        StudyError: there is no such folder, or no port is free; AudioError: the file is no sound.
    """
    work = take_up(_folder(target), store)
    keys = AccessKeys()
    app = create_app(work, keys)
    with listening_socket(HERE, 0, say) as door:
        address = f"http://{HERE}:{door.getsockname()[1]}"
        key_address = f"{address}/#{keys.mint()}"
        if browser:
            threading.Thread(target=_hand_over, args=(key_address, say), daemon=True).start()
        say(f"The maker's page of {work.folder}.\nIf no browser opens, open this yourself (it works once):")
        say(f"  {key_address}\n{HOW_IT_STOPS}")
        if not work.begun:  # offered once, while the study is new
            say(OFFER)
        try:
            with suppress(KeyboardInterrupt):
                page_server(app).run(sockets=[door])
        finally:
            work.jobs.cancel_all()
            hosts_of(work).stop()
    say("Stopped. `fairhearing open` takes it up where it was.")


def take_up(folder: Path, store: str | None = None, clock: Clock = system_clock) -> Workspace:
    """A study's folder where it was left, also by a process that was killed."""
    sweep(folder)
    shutil.rmtree(folder / DOWNLOADS, ignore_errors=True)  # files that were taken away, or not
    work = Workspace(folder, store, clock)
    adopt(work)
    return work


def _folder(target: Path) -> Path:
    if target.is_dir():
        return target.resolve()
    if target.is_file() and target.suffix.lower() == ".zip":
        raise StudyError(
            f"{target} is no sound; where it is a bundle, open an empty folder (`fairhearing open FOLDER`) "
            "and drop it onto the page, or use `fairhearing bundle --open`"
        )
    if target.is_file():
        audio_info(target)
        return target.resolve().parent
    raise StudyError(f"there is no folder or file {target}; name the folder of the song, or its bounce")


def _hand_over(address: str, say: Say) -> None:
    """Open the browser on a file that leads to the page; the file goes as soon as it has been read."""
    descriptor, name = tempfile.mkstemp(prefix="fairhearing-", suffix=".html")  # 0600: its owner's alone
    path = Path(name)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        place = html.escape(address, quote=True)
        file.write(
            f'<!doctype html><meta charset="utf-8"><meta http-equiv="refresh" content="0; url={place}">'
            f'<title>fairhearing</title><a href="{place}">To the page</a>'
        )
    try:
        if not webbrowser.open(path.as_uri()):
            say("No browser could be opened.")
        time.sleep(20)
    finally:
        path.unlink(missing_ok=True)
