"""The pages of the handbook in their order, and the parts that they are found by."""

from __future__ import annotations

import functools
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources

from desurvey.problems import DataProblem, nearest
from viewer.handbook import reference

__all__ = ["CONTENTS", "Page", "Passage", "address_of", "pages", "parts", "why"]

CONTENTS: dict[str, tuple[str, ...]] = {
    "Start": ("start", "your_data", "not"),
    "How to": (
        "hole_wrong", "picks", "tell_the_crew", "plan_a_hole", "present", "nightly", "somebody_elses", "other_programs",
    ),
    "Why": (
        "frames", "curvature", "norths", "uncertainty", "suspects", "line_up", "surfaces", "slip", "aiming", "sets",
        "campaign", "symbols", "bibliography",
    ),
    "Reference": ("commands", "project_toml", "inputs", "outputs", "rules", "blunders", "python", "formats"),
    "More": ("glossary", "gallery", "contribute"),
}  # fmt: skip
"""Names of pages by their group; the first page is the one that opens."""

HEADING = re.compile(r"^(#{1,4}) (.+)$", re.MULTILINE)

FENCE = re.compile(r"^```.*?^```$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True, slots=True)
class Page:
    """A page.

    Attributes
    ----------
    name : str
        Of its file, without ending.
    group : str
        Under which it stands in the contents.
    text : str
        Markdown; the first line is its title.
    """

    name: str
    group: str
    text: str

    @property
    def title(self) -> str:
        """Its first heading."""
        return plain(self.text.partition("\n")[0].lstrip("# "))


@dataclass(frozen=True, slots=True)
class Passage:
    """What stands under one heading, up to the next one.

    Attributes
    ----------
    page : str
        Name of its page.
    anchor : str
        Of its heading.
    title, text : str
        The heading in plain words, and Markdown without the heading.
    """

    page: str
    anchor: str
    title: str
    text: str


def plain(heading: str) -> str:
    """Return a heading without marks of Markdown.

    >>> plain("`checks.dogleg_b`")
    'checks.dogleg_b'
    """
    return heading.replace("`", "").replace("*", "").strip()


@functools.cache
def pages() -> tuple[Page, ...]:
    """Return all pages in their order."""
    made = reference.pages()
    folder = resources.files("viewer.handbook").joinpath("pages")

    def text(name: str) -> str:
        written = folder.joinpath(f"{name}.md")
        own = written.read_text(encoding="utf-8") if written.is_file() else ""
        return f"{own.rstrip()}\n\n{made[name]}" if name in made else own

    return tuple(Page(name, group, text(name)) for group, names in CONTENTS.items() for name in names)


def parts(page: Page) -> Iterator[Passage]:
    """Give the parts of a page in their order; what follows a # inside a block of code is no heading."""
    blocks = [block.span() for block in FENCE.finditer(page.text)]
    found = [
        mark for mark in HEADING.finditer(page.text) if not any(start < mark.start() < end for start, end in blocks)
    ]
    ends = [mark.start() for mark in found[1:]] + [len(page.text)]
    seen: Counter[str] = Counter()
    for mark, end in zip(found, ends, strict=True):
        title = plain(mark[2])
        anchor = re.sub(r"[^\w.]+", "-", title.lower().replace("'", "")).strip("-")
        seen[anchor] += 1
        if seen[anchor] > 1:
            anchor = f"{anchor}-{seen[anchor]}"
        yield Passage(page.name, anchor, title, page.text[mark.end() : end].strip())


NAMED = ("rules", "blunders", "project_toml", "inputs", "outputs", "commands", "glossary")
"""Pages whose parts have names that can be asked for."""


@functools.cache
def _named() -> dict[str, tuple[Passage, ...]]:
    """Return the parts that can be asked for, by name: that of the whole, and its last part (``dogleg_b``)."""
    found: dict[str, list[Passage]] = {}
    for page in pages():
        for part in parts(page) if page.name in NAMED else ():
            for name in dict.fromkeys([part.title, part.title.rpartition(".")[2]]):
                found.setdefault(name.lower().removeprefix("lowside "), []).append(part)
    return {name: tuple(group) for name, group in found.items()}


def why(name: str) -> tuple[Passage, ...]:
    """Return what the handbook says of a rule, a blunder, a column, a setting, a command or a word.

    Raises
    ------
    DataProblem
        When it knows no such name.

    Examples
    --------
    >>> why("dogleg_b")[0].title
    'checks.dogleg_b'
    """
    known = _named()
    wanted = name.strip().lower()
    if wanted not in known:
        hint = nearest(wanted, known) or "lowside handbook has a box to search in"
        raise DataProblem("the handbook knows no such name", value=name, hint=hint)
    return known[wanted]


def address_of(name: str) -> str:
    """Return the page and the part that explain a rule or a blunder, ``page.html#anchor``; the rules if none does."""
    for part in _named().get(name.lower(), ()):
        return f"{part.page}.html#{part.anchor}"
    return "rules.html"
