"""From the optimum to whole divisions of the scales, and the proof of what is weighed."""
