"""Seeded worlds with a known truth, for tests and benchmarks."""
