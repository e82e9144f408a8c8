"""Tests of lowside."""
