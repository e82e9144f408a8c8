"""Engine."""
