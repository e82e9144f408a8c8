"""Speed and memory, measured as ratios against plain baselines in the same run."""
