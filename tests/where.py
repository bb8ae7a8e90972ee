"""Where the checkout is, and where the packages under test are."""

from pathlib import Path

import optimizer

ROOT = Path(__file__).parents[1]
"""The checkout: examples, documents, tests."""
HOME = Path(str(optimizer.__file__)).parents[1]
"""The folder the packages under test are imported from."""
INSTALLED = HOME != ROOT
