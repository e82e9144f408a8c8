"""Pages as HTML: one plain page each, with the contents beside it and a box to search in, read without a network."""

from __future__ import annotations

import functools
import json
import re
from importlib import resources
from typing import Any

import jinja2
from markdown_it import MarkdownIt
from markdown_it.token import Token

from desurvey.exchange.facts import CAUTION
from viewer.handbook import drawings
from viewer.handbook.book import CONTENTS, Page, pages, parts, plain

__all__ = ["files", "html_of"]


def files() -> dict[str, tuple[str, bytes]]:
    """Return everything that a reader's browser asks for: name of the file → type and content, each made when asked.

    The names are those of :func:`content`; all together they are a site.
    """
    return {name: content(name) for name in names()}


def names() -> list[str]:
    """Return the names of all files of the handbook."""
    pictures = [one.name for one in _folder().joinpath("pictures").iterdir() if one.name.endswith(".png")]
    drawn = [f"{name}.svg" for name in drawings.DRAWINGS]
    return [*(f"{page.name}.html" for page in pages()), "search.js", "handbook.css", "handbook.js", *drawn, *pictures]


@functools.cache
def content(name: str) -> tuple[str, bytes]:
    """Return the type and the content of a file of the handbook.

    Raises
    ------
    KeyError
        When there is no such file.
    """
    stem, _, ending = name.rpartition(".")
    if ending == "html":
        page = {page.name: page for page in pages()}[stem]
        return "text/html", html_of(page).encode()
    if name == "search.js":
        return "text/javascript", _index().encode()
    if ending == "svg":
        return "image/svg+xml", drawings.DRAWINGS[stem]().encode()
    if name not in names():
        raise KeyError(name)
    place = _folder().joinpath("pictures", name) if ending == "png" else _folder().joinpath("page", name)
    return {"png": "image/png", "css": "text/css", "js": "text/javascript"}[ending], place.read_bytes()


def _folder() -> Any:
    return resources.files("viewer.handbook")


def html_of(page: Page) -> str:
    """Return a page as HTML."""
    names = {one.name: one.title for one in pages()}
    groups = [(group, [(name, names[name]) for name in own]) for group, own in CONTENTS.items()]
    order = list(names)
    at = order.index(page.name)
    around = [(order[i], names[order[i]]) if 0 <= i < len(order) else None for i in (at - 1, at + 1)]
    return _template().render(
        page=page, groups=groups, body=_body(page), cautions=CAUTION, before=around[0], after=around[1],
        inside=[part for part in parts(page) if part.title != page.title],
    )  # fmt: skip


def _body(page: Page) -> str:
    """Return the text of a page as HTML: headings with anchors, links to pages, wide tables that scroll."""
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    reader.add_render_rule("table_open", lambda *_: '<div class="wide"><table>\n')
    reader.add_render_rule("table_close", lambda *_: "</table></div>\n")
    tokens = reader.parse(page.text)
    anchors = iter(parts(page))
    for token in tokens:
        if token.type == "heading_open":
            token.attrSet("id", next(anchors).anchor)
        for inner in token.children or ():
            if inner.type == "link_open":
                _to_page(inner)
            elif inner.type == "image":
                inner.attrSet("loading", "lazy")
    return str(reader.renderer.render(tokens, reader.options, {}))


def _to_page(link: Token) -> None:
    """Let a link to a page's Markdown lead to its HTML."""
    place, mark, anchor = str(link.attrGet("href")).partition("#")
    if place.endswith(".md") and "/" not in place:
        link.attrSet("href", f"{place.removesuffix('.md')}.html{mark}{anchor}")


def _index() -> str:
    """Return what the box searches: page, anchor, title and text of every part."""
    titles = {page.name: page.title for page in pages()}
    rows = [
        [f"{part.page}.html#{part.anchor}", part.title, titles[part.page], plain(words(part.text))]
        for page in pages()
        for part in parts(page)
    ]
    return f"window.HANDBOOK = {json.dumps(rows, ensure_ascii=False, separators=(',', ':'))};\n"


def words(text: str) -> str:
    """Return Markdown as words in one line, links as what they say."""
    return " ".join(re.sub(r"!?\[([^\]]*)\]\([^)]*\)", r"\1", text).split())


@functools.cache
def _template() -> jinja2.Template:
    loader = jinja2.PackageLoader("viewer.handbook", "page")
    made = jinja2.Environment(loader=loader, autoescape=True, trim_blocks=True, lstrip_blocks=True)
    return made.get_template("page.html.j2")
