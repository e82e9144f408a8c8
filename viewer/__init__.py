"""Viewer."""
