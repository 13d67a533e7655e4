"""Packets: a round as one file, opened from disk, answered, and taken in once."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from playwright.sync_api import Browser
from scipy.signal import correlate

from listening.collect import Collected, collect
from listening.packet import write_packet
from listening.page.desk import REASONS, TOO_EARLY
from listening.status import study_status
from render.errors import AnswersError, ListenError
from render.loudness import Meter
from sessions.records import ListenRecord
from sessions.study import Study
from tests.browser import chromium, hear, open_page, sit_down
from tests.page_api import bench
from tests.page_study import SetClock, make_study
from tests.pulse import NullSink, null_sink


class Packet(HTMLParser):
    """A packet as a browser reads it: the scripts by id, and all text."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.by_id: dict[str, str] = {}
        self.policy = ""
        self.inline: list[str] = []
        self._open: tuple[str, str] | None = None
        self.feed(path.read_text(encoding="utf-8"))
        self.about: dict[str, Any] = json.loads(self.by_id["packet"])

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self._open = (tag, found.get("id") or "")
        if found.get("http-equiv") == "Content-Security-Policy":
            self.policy = found["content"] or ""

    def handle_data(self, data: str) -> None:
        if self._open and self._open[0] in ("script", "style"):
            key = self._open[1]
            if key:
                self.by_id[key] = self.by_id.get(key, "") + data
            else:
                self.inline.append(data)

    def handle_endtag(self, _tag: str) -> None:
        self._open = None

    def sounds(self) -> list[bytes]:
        names = [f"sound-{i}" for i in range(len(self.about["codes"]))]
        return [base64.b64decode(self.by_id[name]) for name in names]


class Far:
    """A listener far away who answers a packet, by the answer file's documented shape."""

    def __init__(self, path: Path, now: datetime) -> None:
        self.packet = Packet(path)
        self.now = now
        self.listens: list[dict[str, Any]] = []

    def hear(self, code: int, seconds: float, overall: float | None, **more: Any) -> None:
        ended = self.now + timedelta(seconds=seconds)
        listen = {
            "code": code, "heard_on": "car", "minutes_east": 60, "began": self.now.isoformat(),
            "ended": ended.isoformat(), "heard_s": seconds, "reason": None, "comments": [],
            "ratings": [],
        }  # fmt: skip
        if overall is not None:
            listen["ratings"] = [{"aspect": "overall", "value": overall, "at": ended.isoformat()}]
        self.listens.append(listen | more)
        self.now = ended + timedelta(seconds=30)

    def hear_all(self, seconds: float = 10.0) -> None:
        for value, codes in zip((11, 22, 33), self.packet.about["codes"], strict=False):
            self.hear(codes[0], seconds, value)

    def file(self, path: Path, **changed: Any) -> Path:
        answers = json.dumps({"listens": self.listens})
        content = {
            "fairhearing answers": 1, "ticket": self.packet.about["ticket"],
            "signature": self.packet.about["signature"], "answers": answers,
            "sha256": hashlib.sha256(answers.encode()).hexdigest(),
        }  # fmt: skip
        path.write_text(json.dumps(content | changed), encoding="utf-8")
        return path


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_study(tmp_path_factory.mktemp("packets") / "study", bar_s=0.4).folder


@pytest.fixture
def clock() -> SetClock:
    return SetClock()


@pytest.fixture
def study(rendered: Path, tmp_path: Path, clock: SetClock) -> Study:
    shutil.copytree(rendered, tmp_path / "study")
    return Study(tmp_path / "study", clock)


@pytest.fixture
def far(study: Study, clock: SetClock) -> Far:
    made = Far(write_packet(study, "ana"), clock())
    clock.forward(days=2)
    return made


def listens(study: Study) -> list[ListenRecord]:
    return study.log.contents("ana").listens_of("ana")


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
    assert sorted(allowed) == sorted(sums) and len(sums) == 6


def test_a_packets_sound_is_the_renders_own(study: Study, tmp_path: Path) -> None:
    packet = Packet(write_packet(study, "ana"))
    (round_,) = study.log.contents().rounds
    for form_id, data in zip(round_.order, packet.sounds(), strict=True):
        form = study.manifest.by_hash(study.log.contents().form(form_id).content_hash)
        assert form is not None
        (tmp_path / "x.flac").write_bytes(data)
        embedded = soundfile.read(tmp_path / "x.flac", dtype="int32")[0]
        np.testing.assert_array_equal(embedded, soundfile.read(study.folder / form.wav, dtype="int32")[0])


def test_answers_are_taken_in_with_the_listeners_own_times(study: Study, far: Far, tmp_path: Path) -> None:
    began = far.now
    far.hear(far.packet.about["codes"][0][0], 0.5, None, reason="stopped")
    comments = [{"text": "<b>да</b>", "time_s": 1.0}, {"text": "whole", "time_s": None}]
    far.hear(far.packet.about["codes"][0][1], 10, 71, comments=comments)
    far.hear(far.packet.about["codes"][1][0], 10, 5)
    far.hear(far.packet.about["codes"][2][0], 10, 100)
    found = collect(study, far.file(tmp_path / "a.json"))
    assert (found.taken, found.refused, found.round_complete, found.opened) == (4, 0, True, False)
    void, *counted = listens(study)
    assert (void.void_reason, void.frames_delivered) == (REASONS["stopped"], 24000)
    assert [x.rating for x in counted] == [71, 5, 100]
    assert [x.form_id for x in counted] == list(study.log.contents().rounds[0].order)
    assert {x.means for x in counted} == {"packet"} and {x.heard_on for x in counted} == {"car"}
    assert counted[0].started_utc > began.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S")
    assert counted[0].local_date == "2026-03-09", "the day it was heard, not the day it came in"
    assert counted[0].comments == ((1.0 - study.manifest.lead_s, "<b>да</b>"), (None, "whole"))
    assert study.log.contents().events[-1].detail == {"listener": "ana", "round": 1, "listens": 4}


def test_answers_are_taken_in_once(study: Study, far: Far, tmp_path: Path) -> None:
    far.hear_all()
    path = far.file(tmp_path / "a.json")
    assert collect(study, path).taken == 3
    before = listens(study)
    again = collect(study, path)
    assert (again.taken, again.refused) == (0, 3)
    assert all("taken in before" in line for line in again.lines[1:4])
    assert listens(study) == before
    assert [e.kind for e in study.log.contents().events].count("collected") == 1


def test_a_part_now_and_the_rest_later(study: Study, far: Far, tmp_path: Path) -> None:
    far.hear(far.packet.about["codes"][0][0], 10, 11)
    first = collect(study, far.file(tmp_path / "a.json"))
    assert (first.taken, first.round_complete) == (1, False)
    assert "2 forms of this round are still to be heard" in first.lines[-1]
    for codes in far.packet.about["codes"][1:]:
        far.hear(codes[0], 10, 50)
    second = collect(study, far.file(tmp_path / "b.json"))
    assert (second.taken, second.refused, second.round_complete) == (2, 1, True)


def test_a_file_damaged_on_its_way_is_refused(study: Study, far: Far, tmp_path: Path) -> None:
    far.hear_all()
    path = far.file(tmp_path / "a.json")
    text = path.read_text()
    for broken in (
        text.replace("22", "23", 1),
        text[:-40],
        text.replace("car", "cat"),
        "",
        "{}",
        "[1]",
        "\x00",
    ):
        path.write_text(broken)
        with pytest.raises(AnswersError, match=r"damaged|not an answer file"):
            collect(study, path)
    assert listens(study) == []


def test_only_tickets_of_this_study_are_taken(study: Study, far: Far, tmp_path: Path, rendered: Path) -> None:
    far.hear_all()
    for change in ({"signature": "0" * 64}, {"ticket": far.packet.about["ticket"].replace("ana", "bo")},
                   {"signature": ""}, {"signature": "é"}):  # fmt: skip
        with pytest.raises(AnswersError, match="does not answer a packet of this study"):
            collect(study, far.file(tmp_path / "a.json", **change))
    shutil.copytree(rendered, tmp_path / "other")
    other = Study(tmp_path / "other", study.clock)
    with pytest.raises(AnswersError, match="does not answer a packet of this study"):
        collect(other, far.file(tmp_path / "a.json"))
    assert listens(study) == []


def test_codes_of_others_and_too_short_listens_are_refused(study: Study, far: Far, tmp_path: Path) -> None:
    other = Packet(write_packet(study, "bo")).about["codes"][0][0]
    codes = [some[0] for some in far.packet.about["codes"]]
    if other not in {code for some in far.packet.about["codes"] for code in some}:
        far.hear(other, 10, 99)
    far.hear(codes[0], 0.3, 88)
    far.hear(codes[1], 10, 77)
    found = collect(study, far.file(tmp_path / "a.json"))
    assert any("no such code" in line for line in found.lines) or other in codes
    assert any(TOO_EARLY in line for line in found.lines)
    short, counted = listens(study)
    assert short.void_reason == TOO_EARLY and short.rating is None and counted.rating == 77


def test_what_was_rated_on_the_page_meanwhile_stands(study: Study, clock: SetClock, tmp_path: Path) -> None:
    far = Far(write_packet(study, "ana"), clock())
    far.hear_all()
    with bench(study, clock) as at:
        ana = at.caller("ana")
        code = ana.hear(at.longest_s())
        ana.answer(code, 64)
    found = collect(study, far.file(tmp_path / "a.json"))
    assert (found.taken, found.refused, found.round_complete) == (2, 1, True)
    assert any(f"rated meanwhile (as {code})" in line for line in found.lines)
    assert [x.rating for x in listens(study)] == [64, 22, 33]
    assert [x.means for x in listens(study)] == ["page", "packet", "packet"]
    shown = next(one for one in study_status(study).listeners if one.name == "ana")
    assert (shown.rounds_done, shown.rounds_planned) == (1, 2)


def test_a_device_whose_clock_is_wrong(study: Study, far: Far, tmp_path: Path, clock: SetClock) -> None:
    far.now = datetime(2001, 1, 1, tzinfo=UTC)
    far.hear_all()
    found = collect(study, far.file(tmp_path / "a.json"))
    assert found.taken == 3 and sum("clock was wrong" in line for line in found.lines) == 3
    assert {x.local_date for x in listens(study)} == {clock().date().isoformat()}


def test_answers_cannot_carry_what_is_no_answer(study: Study, far: Far, tmp_path: Path) -> None:
    code = far.packet.about["codes"][0][0]
    rating = {"aspect": "overall", "value": 101, "at": "2026-03-09T19:00Z"}
    comment = {"text": "x" * 4001, "time_s": 1}
    for more in ({"heard_s": 1e300}, {"ratings": [rating]}, {"minutes_east": 9999}, {"reason": "bored"},
                 {"comments": [comment]}, {"began": "2026-03-09T19:00:00"}, {"more": 1}):  # fmt: skip
        far.listens.clear()
        far.hear(code, 10, 50, **more)
        with pytest.raises(AnswersError, match="cannot be understood at listens"):
            collect(study, far.file(tmp_path / "a.json"))
    assert listens(study) == []


def test_a_round_that_is_over_takes_nothing_more(study: Study, far: Far, tmp_path: Path) -> None:
    far.hear_all()
    collect(study, far.file(tmp_path / "a.json"))
    far.listens.clear()
    far.hear(far.packet.about["codes"][0][2], 10, 1)
    found: Collected = collect(study, far.file(tmp_path / "b.json"))
    assert found.taken == 0 and "its round is over" in found.lines[1]


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
    script = (Path(__file__).parent.parent / "listening/page/static/sha256.js").read_text()
    texts = ["", "abc", "é好🙂" * 99, *("a" * n for n in (55, 56, 63, 64, 119, 120, 100_003))]
    told = f"{script};console.log(JSON.stringify({json.dumps(texts)}.map(sha256)))"
    done = subprocess.run(["node", "-e", told], capture_output=True, check=True, text=True)
    assert json.loads(done.stdout) == [hashlib.sha256(t.encode()).hexdigest() for t in texts]


@pytest.fixture(scope="module")
def sink() -> Iterator[NullSink]:
    with null_sink(48000) as running:
        yield running


@pytest.fixture(scope="module")
def browser(sink: NullSink) -> Iterator[Browser]:
    with chromium(sink.env) as running:
        yield running


@pytest.mark.browser
@pytest.mark.device
def test_a_packet_is_opened_from_disk_answered_and_collected(
    browser: Browser, sink: NullSink, rendered: Path, tmp_path: Path
) -> None:
    shutil.copytree(rendered, tmp_path / "study")
    study = Study(tmp_path / "study")
    path = write_packet(study, "ana")
    moved = tmp_path / "far away" / "päckchen.html"
    moved.parent.mkdir()
    shutil.copy(path, moved)
    with open_page(browser, moved.as_uri(), offline=True) as page, sink.recording() as tape:
        sit_down(page)
        page.locator("#listen-top").click()
        page.wait_for_timeout(400)
        page.reload()
        page.locator("#hello-go").click()
        for number, value in enumerate(("71", "35,5", "100")):
            hear(page)
            page.locator("#overall").fill(value)
            page.locator("#whole").fill("ganz <i>gut</i> 好")
            if number == 1:
                page.wait_for_timeout(300)
                page.reload()
                page.locator("#rate-form").wait_for()
                assert page.locator("#overall").input_value() == value
            page.locator("#rate-keep").click()
            if number == 1:
                page.locator("#hello-go").click()
        page.locator("#review-stand").click()
        with page.expect_download() as download:
            page.locator("#rest-save").click()
        download.value.save_as(tmp_path / "answers.json")
        assert download.value.suggested_filename == "answers-ana-round-1.json"
    found = collect(study, tmp_path / "answers.json")
    assert (found.taken, found.refused, found.round_complete) == (4, 0, True)
    void, *counted = listens(study)
    assert [x.rating for x in counted] == [71, 35.5, 100]
    assert {x.comments for x in counted} == {((None, "ganz <i>gut</i> 好"),)}
    assert void.void_reason == REASONS["left"] and void.form_id == counted[0].form_id
    assert len({x.code for x in listens(study)}) == 4
    np.testing.assert_array_equal(last_of(tape.integers(), study, counted[-1]), render_of(study, counted[-1]))


@pytest.mark.browser
@pytest.mark.device
def test_a_small_packet_sounds_as_loud_and_what_there_is_can_be_saved(
    browser: Browser, sink: NullSink, rendered: Path, tmp_path: Path
) -> None:
    shutil.copytree(rendered, tmp_path / "study")
    study = Study(tmp_path / "study")
    path = write_packet(study, "ana", small=True)
    assert path.stat().st_size < 0.5 * sum(
        (study.folder / f.wav).stat().st_size for f in study.manifest.forms
    )
    with open_page(browser, path.as_uri(), offline=True) as page, sink.recording() as tape:
        sit_down(page)
        hear(page)
        page.locator("#overall").fill("50")
        page.locator("#rate-keep").click()
        page.locator("#listen").wait_for()
        with page.expect_download() as download:
            page.locator("#save-now").click()
        download.value.save_as(tmp_path / "answers.json")
    found = collect(study, tmp_path / "answers.json")
    assert (found.taken, found.refused, found.round_complete) == (1, 0, False)
    (listen,) = listens(study)
    played = loudness_lufs(last_of(tape.integers(), study, listen))
    assert played == pytest.approx(loudness_lufs(render_of(study, listen)), abs=0.1)


def render_of(study: Study, listen: ListenRecord) -> np.ndarray:
    """A form's render as integers, without the silence at its end."""
    form = study.manifest.by_hash(study.log.contents().form(listen.form_id).content_hash)
    assert form is not None
    render = soundfile.read(study.folder / form.wav, dtype="int32", always_2d=True)[0]
    return render[: np.flatnonzero(np.any(render != 0, axis=1))[-1] + 1]


def last_of(played: np.ndarray, study: Study, listen: ListenRecord) -> np.ndarray:
    """Where in a recording a form was played, as long as the form; found by correlation."""
    render = render_of(study, listen)
    likeness = correlate(played[:, 0].astype(float), render[:, 0].astype(float), mode="valid", method="fft")
    start = int(np.argmax(likeness))
    return played[start : start + len(render)]


def loudness_lufs(integers: np.ndarray) -> float:
    meter = Meter(48000, integers.shape[1])
    meter.add((integers / 2**31).astype(np.float32))
    return meter.result().integrated_lufs
