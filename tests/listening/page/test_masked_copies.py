"""What reaches a device before a form is heard tells nothing of it, least of all its length: page and packet,
FLAC and Opus."""

from __future__ import annotations

import base64
import io
import json
import shutil
import subprocess
import zlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from listening.packet.packet_file import write_packet
from listening.page.masked import MaskedCopy, mask, masked_bytes
from sessions.study import Study
from tests.clocks import SetClock
from tests.far_listener import Packet
from tests.page_api import bench
from tests.page_study import EVENING, copied, rendered
from tests.places import ROOT
from tests.unmasking import unmasked

__all__ = ["rendered"]
SCRIPT = ROOT / "listening/page/static/masked.js"


def from_the_page(study: Study, small: bool) -> tuple[list[bytes], list[bytes]]:
    """What a listener's device fetches in a round, and the sound in it."""
    travelled, sounds = [], []
    with bench(study, small=small) as at:
        ana = at.caller("ana")
        for _ in study.manifest.forms:
            due = ana.due()
            travelled.append(ana.ask("GET", due["sound"]).content)
            sounds.append(unmasked(travelled[-1], int(due["mask"], 16)))
            assert len(travelled[-1]) == due["bytes"] == ana.get("/api/state")["form_bytes"]
            ana.answer(ana.hear(at.longest_s()), 50)
    return travelled, sounds


def from_a_packet(study: Study, small: bool) -> tuple[list[bytes], list[bytes]]:
    packet = Packet(write_packet(study, "ana", small=small))
    data = packet.by_id["packet"]
    assert not [form.seconds for form in study.manifest.forms if f"{form.seconds:.2f}" in data]
    assert "seconds" not in packet.about and "frames" not in packet.about
    return packet.travelling(), packet.sounds()


def looks_random(data: bytes) -> bool:
    """Neither a header, nor padding, nor silence at the end can be seen, and nothing can be made smaller."""
    parts = [data[at : at + 4096] for at in range(0, len(data), 4096)]
    if any(len(zlib.compress(part, 9)) < len(part) for part in parts):
        return False
    ones = [np.unpackbits(np.frombuffer(part, np.uint8)).mean() for part in parts if len(part) == 4096]
    # of 32768 fair coins: 7 standard deviations
    return bool(np.abs(np.array(ones) - 0.5).max() < 7 * 0.5 / np.sqrt(8 * 4096))


@pytest.mark.parametrize("small", [False, True], ids=["FLAC", "Opus"])
@pytest.mark.parametrize("way", [from_the_page, from_a_packet])
def test_what_travels_is_of_one_size_and_looks_random(
    rendered: Path, tmp_path: Path, way: object, small: bool
) -> None:
    study = copied(rendered, tmp_path / "study", SetClock(EVENING))
    assert len({round(form.seconds, 1) for form in study.manifest.forms}) > 1, "the forms differ in length"
    travelled, sounds = way(study, small)  # type: ignore[operator]
    assert len({len(sound) for sound in sounds}) > 1, "and so do their files"
    assert len(travelled) == 3 and len({len(data) for data in travelled}) == 1
    assert all(looks_random(data) for data in travelled)
    shorter = [sound for sound in sounds if len(sound) < max(map(len, sounds))]
    filled = [sound.ljust(len(travelled[0]), b"\0") for sound in shorter]
    assert not any(looks_random(data) for data in filled), "their lengths would show"
    require_the_forms(study, sounds, small)


def require_the_forms(study: Study, sounds: Sequence[bytes], small: bool) -> None:
    """Each sound is one of the forms, whole."""
    lengths = []
    for sound in sounds:
        with soundfile.SoundFile(io.BytesIO(sound)) as file:
            assert (file.format, file.subtype) == (("OGG", "OPUS") if small else ("FLAC", "PCM_24"))
            lengths.append(len(file.read()) / file.samplerate)
    wanted = sorted(form.seconds for form in study.manifest.forms)
    assert sorted(lengths) == pytest.approx(wanted, abs=0.01 if small else 1e-9)


@given(content=st.binary(max_size=400), key=st.integers(0, 2**32 - 1), data=st.data())
def test_any_part_of_a_masked_copy_is_that_part_of_the_whole(
    tmp_path_factory: pytest.TempPathFactory, content: bytes, key: int, data: st.DataObject
) -> None:
    path = tmp_path_factory.getbasetemp() / "copy"
    path.write_bytes(content)
    copy = MaskedCopy(path, masked_bytes(len(content) + data.draw(st.integers(0, 50))), key)
    whole = copy.read(0, copy.size)
    assert len(whole) == copy.size and copy.size % 4 == 0
    assert unmasked(whole, key) == content
    start = data.draw(st.integers(0, copy.size - 1))
    stop = data.draw(st.integers(start + 1, copy.size))
    assert copy.read(start, stop) == whole[start:stop]


def test_the_page_unmasks_what_the_server_masks(tmp_path: Path) -> None:
    if shutil.which("node") is None:
        pytest.skip("node is not installed")
    dice = np.random.default_rng(7)
    cases = []
    for size, key in ((0, 0), (1, 2**32 - 1), (1000, 2**31), (99_999, 123_456_789)):
        (tmp_path / "x").write_bytes(content := dice.bytes(size))
        copy = MaskedCopy(tmp_path / "x", masked_bytes(size + 37), key)
        travelled = base64.b64encode(copy.read(0, copy.size)).decode()
        cases.append((travelled, key, base64.b64encode(content).decode()))
    code = (
        f"{SCRIPT.read_text(encoding='utf-8')};"
        "const bytes = (text) => Uint8Array.from(Buffer.from(text, 'base64')).buffer;"
        "for (const [sent, key] of JSON.parse(require('fs').readFileSync(0, 'utf8')))"
        " console.log(Buffer.from(Masked.unmask(bytes(sent), key)).toString('base64'))"
    )
    cases_json = json.dumps([case[:2] for case in cases])
    done = subprocess.run(["node", "-e", code], input=cases_json, capture_output=True, text=True, check=True)
    assert done.stdout.split("\n")[:-1] == [content for _, _, content in cases]


def test_the_words_are_murmurs_finalizer() -> None:
    """MurmurHash3's fmix32 in whole numbers, from its published lines (from memory)."""

    def fmix32(h: int) -> int:
        h = (h ^ h >> 16) * 0x85EBCA6B % 2**32
        h = (h ^ h >> 13) * 0xC2B2AE35 % 2**32
        return h ^ h >> 16

    stream = np.frombuffer(mask(bytes(400), 4 * 1000, 77), "<u4")
    assert stream.tolist() == [fmix32((i * 0x9E3779B1 + 77) % 2**32) for i in range(1000, 1100)]
