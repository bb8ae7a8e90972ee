"""``python -m optimizer`` is the same as ``trimwright``."""

from optimizer.cli import main

if __name__ == "__main__":
    main()
