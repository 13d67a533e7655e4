"""What a packet holds, and when there is one."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listening.packet.collect import collect
from listening.packet.message import packet_message, write_message
from listening.packet.packet_file import write_packet
from listening.page.html import PACKET_SCRIPTS
from render.errors import ListenError
from sessions.study import Study
from tests.clocks import SetClock
from tests.far_listener import Far, Packet, clock, far, study
from tests.page_study import rendered_short
from tests.places import ROOT

__all__ = ["clock", "far", "rendered_short", "study"]
pytestmark = pytest.mark.usefixtures("on_both_stores")


def test_a_packet_holds_codes_and_no_key(study: Study) -> None:
    path = write_packet(study, "ana")
    text = path.read_text(encoding="utf-8")
    packet = Packet(path)
    for form in study.manifest.forms:
        for word in (form.name, form.content_hash, form.sha256, Path(form.wav).stem, str(form.frames)):
            assert not re.search(rf"(?<![\w+/=]){re.escape(word)}(?![\w+/=])", text)
    assert study.log.secret("packet_key") not in text and study.log.secret("plan_seed") not in text
    codes = [code for some in packet.about["codes"] for code in some]
    assert len(codes) == len(set(codes)) == 9 and all(100 <= code <= 999 for code in codes)
    names = [f"sound-{i}" for i in range(3)]
    assert len({len(packet.by_id[name]) for name in names}) == 1, "all forms take the same room"
    assert not re.search(r"https?://", re.sub(r"sound-.*", "", text)), "nothing is loaded"
    assert path.name == "ana-round-1.html"


def test_only_the_packets_own_scripts_may_run(study: Study) -> None:
    """Content Security Policy Level 3: hashes of the very bytes of each inline element."""
    packet = Packet(write_packet(study, "Zoë <b>"))
    assert "default-src 'none'" in packet.policy and "unsafe" not in packet.policy
    allowed = re.findall(r"'sha256-([^']+)'", packet.policy)
    sums = [base64.b64encode(hashlib.sha256(x.encode()).digest()).decode() for x in packet.inline]
    assert sorted(allowed) == sorted(sums) and len(sums) == len(PACKET_SCRIPTS) + 1


def test_a_packets_sound_is_the_renders_own(study: Study, tmp_path: Path) -> None:
    packet = Packet(write_packet(study, "ana"))
    (round_,) = study.log.contents().rounds
    for form_id, data in zip(round_.order, packet.sounds(), strict=True):
        form = study.manifest.by_hash(study.log.contents().form(form_id).content_hash)
        assert form is not None
        (tmp_path / "x.flac").write_bytes(data)
        embedded = soundfile.read(tmp_path / "x.flac", dtype="int32")[0]
        np.testing.assert_array_equal(embedded, soundfile.read(study.folder / form.wav, dtype="int32")[0])


def test_a_message_to_go_with_a_packet_lies_beside_it(study: Study) -> None:
    path = write_packet(study, "ana")
    message = write_message(study, "ana", path)
    assert message == path.with_suffix(".txt")
    text = message.read_text(encoding="utf-8")
    assert text == packet_message(study, "ana", path)
    assert 'round 1 of "Gulls & <Gales>": 3 forms of the song, about 1 minute of sound in all' in text
    for word in (path.name, "Android", "iPhone", "attachment", "harms"):
        assert word in " ".join(text.split())
    assert not [form.name for form in study.manifest.forms if form.name in text]


def test_no_packet_before_the_day(study: Study, far: Far, tmp_path: Path, clock: SetClock) -> None:
    far.hear_all()
    clock.forward(days=-2)
    clock.forward(minutes=5)
    collect(study, far.file(tmp_path / "a.json"))
    clock.forward(hours=2)
    with pytest.raises(ListenError, match="due on 2026-03-10"):
        write_packet(study, "ana")
    assert write_packet(study, "ana", any_day=True).name == "ana-round-2.html"


def test_the_sum_in_the_page_is_sha_256(tmp_path: Path) -> None:
    """FIPS 180-4, against hashlib, through node where it is installed (and in the browser test below)."""
    if shutil.which("node") is None:
        pytest.skip("node is not installed")
    script = (ROOT / "listening/page/static/sha256.js").read_text()
    texts = ["", "abc", "é好🙂" * 99, *("a" * n for n in (55, 56, 63, 64, 119, 120, 100_003))]
    program = f"{script};console.log(JSON.stringify({json.dumps(texts)}.map(sha256)))"
    done = subprocess.run(["node", "-e", program], capture_output=True, check=True, text=True)
    assert json.loads(done.stdout) == [hashlib.sha256(t.encode()).hexdigest() for t in texts]
