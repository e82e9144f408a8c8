"""``python -m viewer.handbook FOLDER`` writes the handbook as a site; with ``--markdown``, as sources for MkDocs."""

from __future__ import annotations

import argparse
from pathlib import Path

from viewer.handbook import rendering
from viewer.handbook.book import CONTENTS, pages


def main() -> None:
    """Write the site, or the sources with their ``mkdocs.yml``, into a folder."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("folder", type=Path)
    asked.add_argument("--markdown", action="store_true")
    given = asked.parse_args()
    write_markdown(given.folder) if given.markdown else write_site(given.folder)


def write_site(folder: Path) -> None:
    """Write all pages as HTML, with their pictures and their search; ``index.html`` is the first page again."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, (_, content) in rendering.files().items():
        (folder / name).write_bytes(content)
    (folder / "index.html").write_bytes(rendering.content(f"{pages()[0].name}.html")[1])


def write_markdown(folder: Path) -> None:
    """Write all pages as Markdown under ``docs``, with their pictures, and a ``mkdocs.yml`` for MkDocs."""
    docs = folder / "docs"
    docs.mkdir(parents=True, exist_ok=True)
    for page in pages():
        text = page.text
        (docs / ("index.md" if page is pages()[0] else f"{page.name}.md")).write_text(text, encoding="utf-8")
    for name, (kind, content) in rendering.files().items():
        if kind.startswith("image/"):
            (docs / name).write_bytes(content)
    lines = ["site_name: lowside handbook", "theme: {name: mkdocs}", "nav:"]
    for group, names in CONTENTS.items():
        lines.append(f"  - {group}:")
        lines += [f"    - {'index' if name == pages()[0].name else name}.md" for name in names]
    (folder / "mkdocs.yml").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
