"""Matrix products kept to one thread: in our own processes, before numpy is there, unless a person says otherwise."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from densiscan.arithmetic.one_thread import ONE_THREAD, environment, keep_to_one_thread
from tests.support.pages import ROOT

BEGUN = """
import os, sys
sys.argv = ["densiscan", "--version"]
from densiscan.__main__ import main
try:
    main()
except SystemExit:
    print("numpy" in sys.modules, os.environ["OPENBLAS_NUM_THREADS"])
"""


@pytest.mark.parametrize(("wanted", "had"), [(None, "1"), ("3", "3")])
def test_the_command_line_sets_it_before_numpy_is_there(wanted: str | None, had: str) -> None:
    given = {name: value for name, value in os.environ.items() if name not in ONE_THREAD}
    given |= {"PYTHONPATH": str(ROOT)} | ({} if wanted is None else {"OPENBLAS_NUM_THREADS": wanted})
    shown = subprocess.run([sys.executable, "-c", BEGUN], env=given, capture_output=True, text=True, check=True)
    assert shown.stdout.splitlines()[-1] == f"False {had}"


def test_what_a_person_set_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ONE_THREAD:
        monkeypatch.setenv(name, "1")  # to be put back afterwards
        monkeypatch.delenv(name)
    monkeypatch.setenv("MKL_NUM_THREADS", "4")
    keep_to_one_thread()
    assert {name: os.environ[name] for name in ONE_THREAD} == {**ONE_THREAD, "MKL_NUM_THREADS": "4"}


def test_an_environment_is_put_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DENSISCAN_A", "before")
    monkeypatch.delenv("DENSISCAN_B", raising=False)
    with environment({"DENSISCAN_A": "within", "DENSISCAN_B": "within"}):
        assert (os.environ["DENSISCAN_A"], os.environ["DENSISCAN_B"]) == ("within", "within")
    assert os.environ["DENSISCAN_A"] == "before"
    assert "DENSISCAN_B" not in os.environ
