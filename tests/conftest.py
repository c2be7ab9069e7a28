"""Fixtures shared by the tests: they only build, but for one that looks over the shoulder of every test."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import Phase, settings

from densiscan.cli import options
from tests.support.drawn import is_rendered
from tests.support.schemas import PRINTED, dumps_watched

# No example fails for its time: a machine may be slow at any moment. In CI the same examples run each time.
settings.register_profile("default", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
# Under mutation testing it is enough that an example fails; a smaller one is not looked for.
settings.register_profile("mutants", deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark each test that reads a rendered scan, so that the quick ones can be run alone."""
    for item in items:
        if is_rendered(item):
            item.add_marker(pytest.mark.rendered)


@pytest.fixture(scope="session", autouse=True)
def _no_notebook_of_the_person(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Let no test see, or write, the notebook of whoever runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        patch.delenv("DENSISCAN_NOTEBOOK", raising=False)
        yield


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Return the folder of real frames, tables and odd files, where this checkout has it beside it."""
    folder = Path(__file__).resolve().parents[2] / "shared" / "data"
    if not folder.is_dir():
        pytest.skip("the folder of real frames and odd files is not beside this checkout")
    return folder


@pytest.fixture(scope="session", autouse=True)
def _documents_are_read() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(options, "json", SimpleNamespace(dumps=dumps_watched))
        yield


@pytest.fixture(autouse=True)
def _documents_keep_to_their_schemas() -> Iterator[None]:
    """Hold every document that a command prints in a test, whatever the test is about, against its published schema."""
    PRINTED.clear()
    yield
    assert [breach for _, breaches in PRINTED for breach in breaches] == []
