"""A report's files as their readers have them."""

from __future__ import annotations

from html.parser import HTMLParser

from reports.output.decide import Decided
from reports.output.figures import curly
from reports.output.report import Written


def read(written: Written | Decided, name: str) -> str:
    """One of the report's files."""
    return next(path for path in written.paths if path.name == name).read_text(encoding="utf-8")


def shown(sentence: str) -> str:
    """A sentence as `Page.text` has it."""
    return " ".join(curly(sentence).split())


class Page(HTMLParser):
    """A page's elements, attributes, and text (no styles, no scripts); what is closed wrongly is kept too."""

    VOID = frozenset(("meta", "br", "link", "img", "input", "hr", "path", "use", "line", "rect"))

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        if tag in self.VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] not in ("style", "script"):
            self.words.append(data)

    @property
    def text(self) -> str:
        """The words, every run of space (also one that never breaks) as one."""
        return " ".join(" ".join(self.words).split())
