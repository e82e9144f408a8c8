"""A project folder: its ``project.toml`` and its tables, checked and in the engine's conventions."""

from desurvey.project.adopting import Look, adopt, look
from desurvey.project.causes import Cause, causes_of
from desurvey.project.collar_row import CollarRow, collar_row
from desurvey.project.loading import Project, load_project, project_of, project_of_tables, read_table
from desurvey.project.settings import Core, Frame, Settings, options, read_settings, settings_of

__all__ = [
    "Cause",
    "CollarRow",
    "Core",
    "Frame",
    "Look",
    "Project",
    "Settings",
    "adopt",
    "collar_row",
    "causes_of",
    "load_project",
    "look",
    "options",
    "project_of",
    "project_of_tables",
    "read_settings",
    "read_table",
    "settings_of",
]
