"""What is said of a plan."""
