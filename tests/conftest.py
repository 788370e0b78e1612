"""What all tests share. Tests that need a part of the system say so with need()."""

import fcntl
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

import pytest
from hypothesis import settings

HERE = Path(__file__).parent
ALL = os.environ.get("LISTENER_TEST_ALL") == "1"
LONG_TOO = os.environ.get("LISTENER_LONG") == "1"

SLOW = (
    "drill/test_exercise.py", "drill/test_make.py", "drill/test_play.py", "drill/test_play_page.py", "models/",
    "fuzz/", "network/test_captures.py", "network/test_must_reach.py",
    "network/test_pipe_and_stream.py", "network/test_real_sockets.py", "network/test_senders.py", "network/test_watch.py",
    "outside/test_drill.py",
    "outside/test_phones.py", "outside/test_psychometric_recovery.py",
    "outside/test_real_speech.py", "recordings/", "speech/test_vosk_spotter.py", "study/",
    "site/", "test_bad_input.py", "test_long_files.py", "watch/",
    "drill/test_commands.py", "drill/test_debrief.py", "network/test_captures.py", "network/test_must_reach.py",
    "outside/test_clustered_intervals.py", "sound/test_compressed.py",
    "speech/test_sphinx_spotter.py", "speech/test_talk.py", "test_extras.py",
)  # fmt: skip
"""Folders and files whose tests take real time, a browser, a sound server or minutes of recognition."""

FAST = (
    "study/test_plan.py", "study/test_intelligibility.py", "watch/show/test_picture.py", "watch/test_health.py",
    "watch/test_proof.py", "watch/test_publication.py", "watch/test_state.py",
)  # fmt: skip
"""What is quick in those folders all the same."""


LONG = (
    "watch/page/test_server.py", "watch/test_sound_server.py", "watch/test_tone_supervisor.py",
    "watch/test_faults.py", "study/test_run.py", "recordings/test_heard.py", "models/test_hearing_rates.py",
    "watch/test_duty.py", "watch/test_command.py", "outside/test_real_speech.py", "watch/page/test_live.py",
    "drill/test_play_page.py", "drill/test_exercise.py", "drill/test_play.py", "site/test_voices.py",
    "study/test_must_reach.py", "study/people/test_page.py", "watch/test_steps.py", "watch/test_sources.py",
    "test_long_files.py", "watch/test_soak.py", "study/test_bank.py", "study/test_report.py", "study/test_commands.py",
    "study/test_listening.py", "recordings/test_around.py", "site/test_install.py", "site/test_acceptance_live.py",
    "network/test_watch.py", "network/test_must_reach.py", "test_bad_input.py",
)  # fmt: skip
"""The files that take longest begin first, or a worker would be left alone with one of them at the end; before all others
those in which tests are marked `alone`, since later they would have to wait until the others' tests have ended."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Each test is marked fast or slow by where it lies; `pytest -m fast` is for daily work. `long` ones are on demand."""
    if not LONG_TOO:
        left_out = [item for item in items if item.get_closest_marker("long")]
        items[:] = [item for item in items if item not in left_out]
        config.hook.pytest_deselected(items=left_out)
    places = {item: item.path.relative_to(HERE).as_posix() for item in items}
    items.sort(key=lambda item: not item.get_closest_marker("alone"))
    items.sort(key=lambda item: LONG.index(places[item]) if places[item] in LONG else len(LONG))
    for item, place in places.items():
        slow = place.startswith(SLOW) and place not in FAST
        item.add_marker(pytest.mark.slow if slow else pytest.mark.fast)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """With workers (`pytest -n 3`) each file stays whole, in the order of LONG."""
    from xdist.scheduler import LoadScopeScheduling

    class ByFile(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return nodeid.split("::")[0]

    config.option.loadscopereorder = False
    return ByFile(config, log)


_room: list[IO[str]] = []
"""The lock that this worker holds on the room that all workers share; closing it lets go."""


def _locked(path: Path, how: int) -> IO[str]:
    file = path.open("a")
    fcntl.flock(file, how)
    return file


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> Iterator[None]:
    """A test marked `alone` has the machine to itself: other workers wait until it, and those that are alone right after
    it, have ended, and begin nothing new meanwhile.
    """
    run = os.environ.get("PYTEST_XDIST_TESTRUNUID")
    if not run:
        return (yield)
    place = Path(tempfile.gettempdir()) / f"listener-tests-{run}"
    alone, next_alone = (bool(i and i.get_closest_marker("alone")) for i in (item, nextitem))
    if not _room:
        with _locked(place.with_suffix(".door"), fcntl.LOCK_EX):
            _room.append(_locked(place.with_suffix(".room"), fcntl.LOCK_EX if alone else fcntl.LOCK_SH))
    try:
        return (yield)
    finally:
        if not (alone and next_alone):
            _room.pop().close()


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
