"""A page of the program as tests read it."""

from __future__ import annotations

from html.parser import HTMLParser

VOID = {"meta", "link", "br", "hr", "img", "input", "wbr"}


class Page(HTMLParser):
    """The elements of a page in order, each with its attributes, its ancestors and the text right inside it."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str], tuple[str, ...]]] = []
        self.texts: list[tuple[tuple[str, ...], str]] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}, tuple(self.open)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}, tuple(self.open)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag, f"</{tag}> does not close what is open"

    def handle_data(self, data: str) -> None:
        self.texts.append((tuple(self.open), data))

    def tags(self, name: str) -> list[dict[str, str]]:
        return [attributes for tag, attributes, _ in self.elements if tag == name]

    def seen(self) -> str:
        """The text that a reader sees, white space made one."""
        words = " ".join(text for inside, text in self.texts if not {"style", "svg", "title"} & set(inside))
        return " ".join(words.split())
