"""Solving, weighing out, adding up and checking again."""
