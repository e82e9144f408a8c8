"""The start page: from a folder of tables as it is on the laptop to a project, without an editor."""

from viewer.start.serving import begin

__all__ = ["begin"]
