"""A project folder: its ``project.toml`` and its tables, checked and in the engine's conventions."""

from desurvey.project.loading import Project, load_project, project_of, project_of_tables, read_table
from desurvey.project.proposal import Proposal, adopt, propose
from desurvey.project.settings import Core, Frame, Settings, options, read_settings, settings_of

__all__ = [
    "Core",
    "Frame",
    "Project",
    "Proposal",
    "Settings",
    "adopt",
    "load_project",
    "options",
    "project_of",
    "project_of_tables",
    "propose",
    "read_settings",
    "read_table",
    "settings_of",
]
