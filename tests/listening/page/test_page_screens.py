"""What a listener sees in a real browser: the first button on small phones, every text once, what is wrong
and where; and that no rating is lost to a full storage or a connection that stands still."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import soundfile
from playwright.sync_api import Browser, Page, expect
from starlette.requests import Request
from starlette.responses import Response

from listening.packet.packet_file import write_packet
from listening.page.masked import MaskedCopy
from listening.page.sound import sound_response
from listening.rounds import enter_round
from render.renders.render_forms import render_forms
from sessions.study import Study
from tests.browser import browser, end_round, hear, open_page, sit_down, throttle
from tests.page_study import copied, rendered_short
from tests.serving import Served, page_of, served
from tests.wire import wire

__all__ = ["browser", "page_of", "rendered_short"]
pytestmark = [pytest.mark.browser]

PHONES = [(390, 844), (360, 640)]
FILL = """() => {
  for (let size = 1 << 22, n = 0; size >= 1; n += 1) {
    try { localStorage.setItem(`filler ${n}`, "x".repeat(size)); } catch { size >>= 1; }
  }
}"""


@pytest.mark.parametrize("width, height", PHONES)
def test_the_first_button_is_seen_without_scrolling(
    browser: Browser, page_of: Served, width: int, height: int
) -> None:
    packet = write_packet(page_of.study, "bo").as_uri()
    for address in (page_of.link("ana"), packet):
        with open_page(browser, address, viewport={"width": width, "height": height}) as page:
            go = page.locator("#hello-go")
            expect(go).to_be_in_viewport(ratio=1)
            assert page.evaluate("scrollY") == 0
            size = page.evaluate("parseFloat(getComputedStyle(document.querySelector('#hello p')).fontSize)")
            assert size >= 16, "without tiny text"
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert "Loud listening harms hearing" in page.locator("#hello").inner_text()


def test_a_phone_shows_how_to_go_on_after_the_level_check(browser: Browser, page_of: Served) -> None:
    with open_page(browser, page_of.link("ana"), viewport={"width": 360, "height": 640}) as page:
        page.locator("#hello-go").click()
        page.locator("#level-play:not([aria-disabled])").click()
        expect(page.locator("#level-yes")).to_be_in_viewport(ratio=1, timeout=20_000)


def test_a_round_that_could_not_go_on_is_explained(
    browser: Browser, rendered_short: Path, tmp_path: Path
) -> None:
    study = copied(rendered_short, tmp_path / "study")
    enter_round(study, "ana")
    bounce = study.folder / "bounce.wav"
    audio, rate = soundfile.read(bounce)
    soundfile.write(bounce, audio / 2, rate, subtype="PCM_24")
    fresh = Study(study.folder)
    fresh.register(render_forms(fresh.song, keep_sets=fresh.open_render_sets))
    with served(fresh) as there, open_page(browser, there.link("ana")) as page:
        elements = page.locator("#notice")
        expect(elements).to_contain_text(
            "Your last round could not go on, because its forms have been replaced"
        )
        expect(page.locator("#hello-round")).to_have_text("Round 1 of 2 can begin.")
        assert not [form.name for form in fresh.manifest.forms if form.name in page.content()]


def rate(page: Page, value: str) -> None:
    hear(page)
    page.locator("#ending").fill("loud")
    page.locator("#overall").fill(value)
    page.locator("#rate-keep").click()
    wrong = page.locator("#ending")
    expect(wrong).to_have_attribute("aria-invalid", "true")
    expect(wrong).to_have_css("border-top-width", "3px")
    expect(page.locator("#overall")).to_have_css("border-top-width", "1px")
    wrong.fill("")
    page.locator("#rate-keep").click()


def test_a_packet_loses_nothing_to_a_full_storage_and_says_everything_once(
    browser: Browser, rendered_short: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("listening.local.level.LEVEL_CHECK_S", 0.6)
    study = copied(rendered_short, tmp_path / "study")
    with open_page(browser, write_packet(study, "ana").as_uri(), offline=True) as page:
        sit_down(page)
        rate(page, "11")
        page.locator("#listen").wait_for()
        page.evaluate(FILL)
        rate(page, "22")
        expect(page.locator("#listen")).to_be_visible()
        rate(page, "33")
        end_round(page)
        page.locator("#rest-save").wait_for()
        said = [line for line in page.locator("body").inner_text().splitlines() if line.strip()]
        assert len(said) == len(set(said)), said
        assert any("keeps nothing for later: save the answer file" in line for line in said)
        assert sum("Round 1 is done" in line for line in said) == 1
        assert "ana, 1 of 2 rounds done" in said
        with page.expect_download() as download:
            page.locator("#rest-save").click()
        saved = json.loads(Path(download.value.path()).read_text(encoding="utf-8"))
    answers = json.loads(saved["answers"])["listens"]
    assert [x["ratings"][0]["value"] for x in answers] == [11, 22, 33]


def test_a_slow_phone_behind_a_tunnel_hears_small_copies(
    browser: Browser, rendered_short: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Opus, passed on in chunks without a length (RFC 9112 section 7.1), on a processor four times slower."""

    def unsized(request: Request, copy: MaskedCopy) -> Response:
        response = sound_response(request, copy)
        del response.headers["content-length"]
        return response

    monkeypatch.setattr("listening.page.server.sound_response", unsized)
    monkeypatch.setattr("listening.local.level.LEVEL_CHECK_S", 0.6)
    study = copied(rendered_short, tmp_path / "study")
    with served(study, small=True) as page_of, open_page(browser, page_of.link("ana")) as page:
        sit_down(page)
        throttle(page, 4)
        hear(page)
    assert study.log.contents("ana").listens_of("ana")[-1].heard_to_the_end


def test_sound_that_stands_still_on_its_way_is_asked_for_again(browser: Browser, page_of: Served) -> None:
    with wire(page_of.base) as there, open_page(browser, "about:blank") as page:
        page.clock.install()
        page.goto(page_of.link("ana").replace(page_of.base, there.base))
        there.hold_after(60_000)
        page.locator("#hello-go").click()
        there.wait_until_held()
        page.clock.run_for(21_000)
        page.locator("#level-play:not([aria-disabled])").wait_for(timeout=20_000)
