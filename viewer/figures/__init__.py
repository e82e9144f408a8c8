"""Figures on paper at a true scale: sections, maps, nets, logs and strips."""
