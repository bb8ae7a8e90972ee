"""Every test, and every process it starts, imports the packages from one place: the installed ones, or the checkout.

README's test command is given from a folder that is not the checkout, with ``-P``, so that only what is installed can
be found. Given from the checkout (``python -m pytest tests/test_x.py``), the checkout is tested.
"""

from __future__ import annotations

import os

import pytest
from where import HOME, INSTALLED

pytest.register_assert_rewrite("recomputed_batch", "recomputed_week", "recomputed_check", "recomputed_why")
os.environ["PYTHONPATH"] = str(HOME)
os.environ["PYTHONSAFEPATH"] = "1"  # a process started in the checkout does not find the checkout's packages


def pytest_report_header(config: pytest.Config) -> str:
    return f"testing the {'installed wheel' if INSTALLED else 'checkout'}: {HOME}"
