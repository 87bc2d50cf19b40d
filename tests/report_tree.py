"""A page as a tree of elements, by the standard library's HTML parser; just enough to ask questions of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "link", "img", "br", "hr", "input", "line", "circle", "rect", "polyline", "path"}


@dataclass
class Element:
    tag: str
    attrs: dict[str, str]
    parent: Element | None = None
    parts: list[Element | str] = field(default_factory=list)

    def walk(self) -> Iterator[Element]:
        yield self
        for part in self.parts:
            if isinstance(part, Element):
                yield from part.walk()

    def all(self, tag: str = "", **wanted: str) -> list[Element]:
        """Elements by tag and attributes (`class_` asks for one of the classes)."""
        return [e for e in self.walk() if (not tag or e.tag == tag) and e.fits(wanted)]

    def one(self, tag: str = "", **wanted: str) -> Element:
        found = self.all(tag, **wanted)
        assert len(found) == 1, f"expected one {tag} {wanted}, got {len(found)}"
        return found[0]

    def fits(self, wanted: dict[str, str]) -> bool:
        classes = self.attrs.get("class", "").split()
        return all(v in classes if k == "class_" else self.attrs.get(k) == v for k, v in wanted.items())

    def above(self) -> Iterator[Element]:
        here = self.parent
        while here is not None:
            yield here
            here = here.parent

    @property
    def text(self) -> str:
        """The text inside, spaces run together."""
        return " ".join(self.raw.split())

    @property
    def raw(self) -> str:
        return "".join(p if isinstance(p, str) else p.raw for p in self.parts)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = self.here = Element("root", {})

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"an attribute twice in {tag}: {names}"
        new = Element(tag, {k: v or "" for k, v in attrs}, self.here)
        self.here.parts.append(new)
        if tag not in VOID:
            self.here = new

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.here.parts.append(Element(tag, {k: v or "" for k, v in attrs}, self.here))

    def handle_endtag(self, tag: str) -> None:
        assert tag == self.here.tag, f"</{tag}> closes <{self.here.tag}>"
        assert self.here.parent is not None
        self.here = self.here.parent

    def handle_data(self, data: str) -> None:
        self.here.parts.append(data)


def read_page(text: str) -> Element:
    """The tree of a page; an assertion fails where tags do not match."""
    reader = _Reader()
    reader.feed(text)
    reader.close()
    assert reader.here is reader.root, f"<{reader.here.tag}> is never closed"
    return reader.root
