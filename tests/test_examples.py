"""The examples in the docstrings of what people meet first run and are true."""

import doctest
from importlib import import_module

import pytest

SHOWN = {
    "listener.events": 6,
    "listener.settings.base": 1,
    "listener.sound.meter": 1,
    "listener.score.match": 1,
    "listener.score.interval": 2,
    "listener.tell.json_lines": 1,
    "listener.keep.row": 2,
    "listener.study.people.session": 1,
    "listener.study.people.track": 1,
}
"""Module -> how many names in it show an example, at least."""


@pytest.mark.parametrize("name", SHOWN)
def test_the_examples_are_true(name):
    module = import_module(name)
    shown = [test for test in doctest.DocTestFinder().find(module) if test.examples]
    result = doctest.testmod(module)
    assert result.failed == 0 and len(shown) >= SHOWN[name]
