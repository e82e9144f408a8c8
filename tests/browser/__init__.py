"""Tests in a real headless Chromium."""
