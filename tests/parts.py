"""Python packages beyond the test extra: a module skips with a reason, unless LISTENER_TEST_ALL=1."""

import importlib
import os
from types import ModuleType

import pytest


def need_python(module: str, remedy: str) -> ModuleType:
    """The imported module; without it the test module is skipped, or fails in CI."""
    try:
        return importlib.import_module(module)
    except ImportError:
        reason = f"the Python package {module} is missing; install {remedy}"
        if os.environ.get("LISTENER_TEST_ALL") == "1":
            pytest.fail(reason, pytrace=False)
        pytest.skip(reason, allow_module_level=True)
