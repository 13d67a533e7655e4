"""A sound device that was asleep: it takes the first piece at once, then stands still while it opens."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.browser import chromium, hear, open_page, sit_down
from tests.page_study import make_study
from tests.pulse import null_sink
from tests.serving import served
from tests.stalls import not_stalled

pytestmark = [pytest.mark.browser, pytest.mark.device]


def test_a_device_that_was_asleep_is_waited_for(tmp_path: Path) -> None:
    study = make_study(tmp_path, bar_s=0.5)
    with (
        null_sink(rewinds=True) as sleeper,
        chromium(sleeper.env) as browser,
        served(study) as page_of,
        open_page(browser, page_of.link("ana")) as page,
    ):
        page.locator("#hello-go").wait_for()
        sit_down(page)
        hear(page)
    assert [listen.void_reason for listen in not_stalled(study.log.contents().listens)] == [None]
