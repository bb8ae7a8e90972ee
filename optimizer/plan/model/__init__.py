"""What a plan chooses from, and its program."""
