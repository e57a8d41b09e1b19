"""A page taken apart as a browser does it."""

from __future__ import annotations

import re
from html.parser import HTMLParser

from pullbook.settings.share import packed_library, unpack


class Read(HTMLParser):
    """A page as a browser takes it apart: elements with their attributes, and the text outside scripts and styles."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.scripts: list[str] = []
        self._open = ""
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._part(tag)
        self.elements.append((tag, dict(attrs)))
        self._open = tag if tag in ("script", "style") else ""
        if tag == "script":
            self.scripts.append("")

    def handle_endtag(self, tag: str) -> None:
        self._part(tag)
        if tag == self._open:
            self._open = ""

    def _part(self, tag: str) -> None:
        if tag not in ("a", "b", "span", "strong"):
            self.texts.append(" ")

    def handle_data(self, data: str) -> None:
        if self._open == "script":
            self.scripts[-1] += data
        elif not self._open:
            self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join("".join(self.texts).split())

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


def unpacked(html: str) -> str:
    """Return a page with the data of its pictures in plain JSON and without the library that draws them."""
    html = html.replace(packed_library(), "")
    return re.sub(r"(<script[^>]* data-packed[^>]*>)([^<]+)", lambda m: m[1] + unpack(m[2]), html)
