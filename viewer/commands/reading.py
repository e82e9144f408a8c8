"""What a person reads: ``handbook`` and ``why``."""

from __future__ import annotations

import re
import sys
from typing import Annotated

import typer

from viewer.commands.shared import say

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (handbook, why):
        app.command()(command)


def handbook(
    page: Annotated[
        str,
        typer.Argument(metavar="[NAME]", help="Open at a rule, a column, a setting, a command …", show_default=False),
    ] = "",
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port to serve on; 0 takes a free one.")] = 0,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the address in the browser, or only say it.")
    ] = True,
) -> None:
    """Open the handbook in the browser: how to start, what to do, why, and every command, key and column.

    It comes from this program and needs no network; it is served from this machine only, until Ctrl-C.

    Example: lowside handbook dogleg
    """
    from viewer.handbook.book import CONTENTS, why
    from viewer.handbook.serving import serve

    first = f"{next(iter(CONTENTS.values()))[0]}.html"
    if page:
        part = why(page)[0]
        first = f"{part.page}.html#{part.anchor}"
    serve(first, port=port, open_browser=browser, say=say)


def why(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="A rule, a blunder, a column, a setting, a command, a word.")
    ],
) -> None:
    """Say what the handbook says of a rule, a blunder, a column, a setting, a command or a word of the trade.

    Example: lowside why line_side
    """
    from viewer.handbook.book import why as parts_of

    found = parts_of(name)
    text = "\n\n".join(f"## {part.title}\n\n{part.text}\n\n*{part.page}.html#{part.anchor}*" for part in found)
    if sys.stdout.isatty():
        from rich.console import Console
        from rich.markdown import Markdown

        Console().print(Markdown(text))
    else:
        print(re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", text))
