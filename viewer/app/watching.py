"""Tables that change on disk while the app is open: loaded anew, with a word on what changed."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from watchfiles import Change, awatch

from desurvey.decisions import FILE
from desurvey.problems import DataProblem
from desurvey.project import Project
from desurvey.study import Study
from viewer.app.stage import Part, Stage

__all__ = ["Watching", "changes_between"]

log = logging.getLogger("lowside.app")

WHOLE_TABLE = (None, 1)
"""Rows of findings about a whole table: none, or its heading."""

PAUSE_MS = 400
"""Milliseconds that files have to rest before they are read: a spreadsheet writes in several goes."""


class Watching(Part):
    """Watches the project's own files, and nothing else."""

    def __init__(self, stage: Stage, take: Callable[[Study], None]) -> None:
        super().__init__(stage)
        self._take = take

    async def run(self) -> None:
        """Reload whenever a table or ``project.toml`` changes, until cancelled."""
        async for changes in awatch(self.stage.folder, debounce=PAUSE_MS, recursive=True, watch_filter=self._is_ours):
            names = sorted({Path(path).name for _, path in changes})
            await self._reload(names)

    def _is_ours(self, _change: Change, path: str) -> bool:
        project = self.stage.base.study.logged
        ours = {"project.toml", *project.settings.all_files} - {FILE}
        folder = self.stage.folder.resolve()
        return any(Path(path).resolve() == (folder / name).resolve() for name in ours)

    def _read(self) -> Study:
        return Study.open(self.stage.folder, as_logged=not self.stage.obeyed, fresh=self.stage.fresh)

    async def _reload(self, names: list[str]) -> None:
        try:
            study = await asyncio.to_thread(self._read)
        except DataProblem as problem:
            self.tell(
                f"{', '.join(names)} changed and can't be read as it stands; what is shown is from before. {problem}"
            )
            return
        except Exception:
            log.exception("while reloading")
            self.tell(f"{', '.join(names)} changed, and reading it went wrong in the program; the terminal has more.")
            return
        known = {
            str(one) for one in self.stage.base.study.logged.findings
        }  # what was wrong when it was opened may stay so
        found = [one for one in study.logged.findings if one.severity == "error" and one.row in WHOLE_TABLE]
        spoilt = [one for one in found if str(one) not in known]
        if spoilt:
            self.tell(f"{', '.join(names)} changed and can't be used; what is shown is from before. {spoilt[0]}")
            return
        said = changes_between(self.stage.base.study.logged, study.logged)
        self._take(study)
        self.tell(f"Loaded anew: {said or ', '.join(names) + ' changed'}.")


def changes_between(before: Project, after: Project) -> str:
    """Return in words how many rows of each table came, went or changed."""
    tables = ("collars", "surveys", "runs", "structures")
    pairs = [(name, getattr(before, name), getattr(after, name)) for name in tables]
    pairs += [
        (name, before.intervals[name], after.intervals[name]) for name in after.intervals if name in before.intervals
    ]
    return "; ".join(text for name, old, new in pairs if (text := _change(name, old, new)))


def _change(name: str, old: Any, new: Any) -> str:
    if len(old) != len(new):
        return f"{name}: {len(old)} rows before, {len(new)} now"
    if list(old.columns) != list(new.columns):
        return f"{name}: other columns"
    same = (old.reset_index(drop=True) == new.reset_index(drop=True)) | (old.isna() & new.isna()).to_numpy()
    changed = int((~np.asarray(same).all(axis=1)).sum())
    return f"{name}: {changed} row{'s' if changed != 1 else ''} changed" if changed else ""
