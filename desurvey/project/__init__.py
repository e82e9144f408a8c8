"""A project folder: its ``project.toml`` and its tables, checked and in the engine's conventions."""

from desurvey.project.loading import Project, load_project
from desurvey.project.proposal import Proposal, adopt, propose
from desurvey.project.settings import Core, Frame, Settings, options, read_settings

__all__ = [
    "Core",
    "Frame",
    "Project",
    "Proposal",
    "Settings",
    "adopt",
    "load_project",
    "options",
    "propose",
    "read_settings",
]
