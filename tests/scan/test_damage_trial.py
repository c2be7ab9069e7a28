"""The damage trial counts what it says: nothing under a checksum, every hole in plain samples."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.trials import damage

if TYPE_CHECKING:
    import pytest


def test_a_twentieth_of_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert damage.main(["--share", "0.05", "--seed", "402", "png, 8 bits", "deflate tiles", "uncompressed"]) == 0
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in capsys.readouterr().out.splitlines()[2:]]
    counted = {(row[0], row[1]): row[2:] for row in rows}
    assert counted["png, 8 bits", "data"] == counted["deflate tiles", "data"] == ["0 of 15", "0 of 15", "0 of 5"]
    assert counted["uncompressed", "data"] == ["15 of 15", "15 of 15", "0 of 5"]
    # What the tags say is believed where it can be: some of their damage is noticed, some is not.
    holes, bits, _ = counted["uncompressed", "tags"]
    assert {holes, bits}.isdisjoint({"15 of 15"})
