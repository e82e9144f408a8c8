"""What the parts of the app have in common: they answer triggers of the page, and none of their errors ends the app."""

from __future__ import annotations

import functools
import logging
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, ClassVar, Protocol

from desurvey.problems import DataProblem

if TYPE_CHECKING:
    from viewer.app.app import App

__all__ = ["Part", "careful"]

log = logging.getLogger("lowside.app")


class Teller(Protocol):
    """Something that can show a message on the page."""

    def tell(self, message: str) -> None:
        """Show a message."""


def careful(method: Callable[..., Any]) -> Callable[..., Any]:
    """Make a callback say its errors on the page instead of ending the app; what is a bug goes to the log in full."""

    @functools.wraps(method)
    def run(self: Teller, *args: Any, **kwargs: Any) -> Any:
        try:
            return method(self, *args, **kwargs)
        except DataProblem as problem:
            self.tell(str(problem))
        except Exception as error:
            log.exception("in %s", method.__name__)
            self.tell(f"Something went wrong in the program ({type(error).__name__}: {error}); the terminal has more.")
        return None

    return run


class Part:
    """One of the app's questions or tools.

    Attributes
    ----------
    triggers : tuple of str
        Names of its methods that the page may call.
    app : App
        The app that it belongs to.
    """

    triggers: ClassVar[tuple[str, ...]] = ()

    def __init__(self, app: App) -> None:
        self.app = app
        self.state = app.state
        for name in self.triggers:
            app.server.controller.trigger(name)(getattr(self, name))

    def tell(self, message: str) -> None:
        """Show a message on the page."""
        self.app.tell(message)
