"""Every test, and every process it starts, imports the packages from one place: the installed ones, or the checkout.

README's test command is given from a folder that is not the checkout, with ``-P``, so that only what is installed can
be found. Given from the checkout (``python -m pytest tests/test_x.py``), the checkout is tested.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from functools import cache
from typing import Any

import pytest
from where import HOME, INSTALLED

pytest.register_assert_rewrite("recomputed_batch", "recomputed_week", "recomputed_check", "recomputed_why")
os.environ["PYTHONPATH"] = str(HOME)
os.environ["PYTHONSAFEPATH"] = "1"  # a process started in the checkout does not find the checkout's packages


def pytest_report_header(config: pytest.Config) -> str:
    return f"testing the {'installed wheel' if INSTALLED else 'checkout'}: {HOME}"


@pytest.fixture(autouse=True, scope="session")
def every_document_keeps_its_schema() -> Iterator[None]:
    """Whatever document a test makes, by a command or a function, is judged by the published schema of its kind."""
    from jsonschema import Draft202012Validator
    from pydantic import TypeAdapter

    from constraints.document.fields import JsonSchema
    from optimizer import record

    @cache
    def judge(kind: Any) -> Draft202012Validator:
        schema = TypeAdapter(kind).json_schema(mode="serialization", schema_generator=JsonSchema)
        return Draft202012Validator(schema)

    plain: Callable[[Any, Any], Any] = record.plain

    def judged(kind: Any, found: Any) -> Any:
        made = plain(kind, found)
        judge(kind).validate(made)
        return made

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(record, "plain", judged)
        yield
