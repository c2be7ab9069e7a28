"""The other channels of a colour scan."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from densiscan.scan.formats.memory import ArrayRaster
from densiscan.scan.formats.pixels import SAMPLE_OF
from densiscan.scan.scan import Channel, Scan, open_scan

COLOURS: Final[tuple[Channel, ...]] = ("red", "green", "blue")


def in_channel(scan: Scan, channel: Channel) -> Scan:
    """Return the same scan read by another of its channels.

    Raises
    ------
    UnreadableScanError
        If the file cannot be read any more, or has no such channel.
    """
    if channel == scan.channel:
        return scan
    if isinstance(scan.raster, ArrayRaster):
        return replace(scan, channel=channel, raster=replace(scan.raster, sample=SAMPLE_OF[channel]))
    other = open_scan(scan.path, ppi=scan.facts.ppi, channel=channel, page=scan.page)
    return replace(scan, channel=channel, raster=other.raster)


def other_channels(scan: Scan) -> tuple[Scan, ...]:
    """Return the channels of a colour scan that are not the one it is read by; none of a gray scan."""
    if scan.channel not in COLOURS:
        return ()
    return tuple(in_channel(scan, channel) for channel in COLOURS if channel != scan.channel)
