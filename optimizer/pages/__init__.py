"""What is printed: text, HTML pictures and JSON."""
