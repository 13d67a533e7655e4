"""The song with a click on every beat, through the sound device, for the maker alone."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

from listening.local.device import PlaybackResult, Playing, require_device
from listening.local.keys import ESCAPE, INTERRUPT, single_keys
from render.audio.click import write_click
from render.errors import DeviceError
from render.song.song import Song

_STOP_KEYS = f"qQ{ESCAPE}{INTERRUPT}"


def play_click(song: Song, say: Callable[[str], None], device: str | None = None) -> PlaybackResult:
    """Play the song from the top with its click; q stops it.

    Raises:
        DeviceError: there is no sound device; AudioError: the bounce cannot be read.
    """
    try:
        require_device(device)
    except DeviceError as error:
        raise DeviceError(
            "the click finds no sound device to play on; connect one, or write it to a file: "
            "`fairhearing check --click click.wav`"
        ) from error
    with tempfile.TemporaryDirectory(prefix="fairhearing-") as place:
        path = Path(place) / "click.wav"
        mix = write_click(song, path)
        say(f"♪ the song with a click on every beat, the first of the bar higher; {mix.line} (q stops it)")
        playing = Playing(path, device)
        with single_keys() as pressed:

            def look(now: Playing) -> None:
                if any(key in _STOP_KEYS for key in pressed()):
                    now.stop()

            return playing.run(look)
