"""What axe-core (from the package axe-playwright-python) objects to on a page: the rules of WCAG 2.2 AA that
a program can check, and its best practices."""

from __future__ import annotations

from importlib import resources

from playwright.sync_api import Page

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def findings(page: Page) -> list[str]:
    """The page as it is at this moment."""
    if not page.evaluate("'axe' in window"):
        page.evaluate((resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
    result = page.evaluate(
        "rules => axe.run({runOnly: rules, resultTypes: ['violations', 'incomplete']})", RULES
    )
    assert result["testEngine"]["name"] == "axe-core"
    return [
        f"{x['id']}: {x['nodes'][0]['target']} {x['nodes'][0]['html'][:120]}" for x in result["violations"]
    ]
