"""What all tests share. Tests that need a part of the system say so with need()."""

import os
import shutil
from collections.abc import Callable

import pytest
from hypothesis import settings

ALL = os.environ.get("LISTENER_TEST_ALL") == "1"
# Measurements against the clock are no part of the suite; LISTENER_LONG=1 collects them too.
collect_ignore = [] if os.environ.get("LISTENER_LONG") == "1" else ["watch/test_delay.py"]

settings.register_profile("house", deadline=None, max_examples=60, derandomize=True)
settings.load_profile("house")


@pytest.fixture(scope="session")
def need() -> Callable[[bool, str], None]:
    """need(present, what): skips with the reason when a system part is missing.

    With LISTENER_TEST_ALL=1 in the environment nothing may be missing, and the test fails instead.
    """

    def check(present: bool, what: str) -> None:
        if present:
            return
        if ALL:
            pytest.fail(f"{what} is missing, and LISTENER_TEST_ALL=1 says that nothing is")
        pytest.skip(f"{what} is missing")

    return check


@pytest.fixture(scope="session")
def espeak(need: Callable[[bool, str], None]) -> str:
    """Path of espeak-ng."""
    path = shutil.which("espeak-ng")
    need(path is not None, "espeak-ng (apt install espeak-ng)")
    assert path
    return path
