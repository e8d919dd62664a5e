"""A page taken apart by a strict reader: every element ended in its order, nothing of it from outside."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

from controller.record_page.gather import gather
from controller.record_page.render import render
from controller.settings.line import load_line

VOID = {"br", "img", "link", "meta"}


class Page(HTMLParser):
    """A page taken apart, each element ended in its order; no part of it may come from outside."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.elements: list[str] = []
        self.ids: list[str] = []
        self.outside: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == [], f"never ended: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        if tag not in VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name == "id" and value is not None:
                self.ids.append(value)
            local = name.endswith("href") and (value or "").startswith("#")
            if (
                name.startswith("on")
                or name in ("src", "srcset", "action", "data")
                or (name.endswith("href") and not local)
            ):
                self.outside.append(f"{tag} {name}={value}")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> ends {self.open[-1:]}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join("".join(self.words).split())


def recorded(line: Path) -> str:
    """The words of a line's record, in which every step has a page of its own, drawn, and nothing is from outside."""
    page = Page(render(gather(load_line(line, must_work=False)), "a4"))
    assert page.outside == []
    assert "shown by its names" not in page.text and "Not drawn" not in page.text
    return page.text
