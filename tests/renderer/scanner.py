"""The rendered scanner: from transmittance on the bed to the codes in the file.

Light path in order: lamp, piece on the glass, optical point spread, veiling glare, sensor (shot and read noise),
black offset, exposure gain, clipping, tone curve, inversion, rounding. Signals are fractions: 1 is bare glass under a
lamp of nominal strength.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from densiscan.errors import WrongUseError
from tests.renderer.bed import MM_PER_INCH, Array, Codes, blurred, enlarged

Tone = Literal["linear", "1.8", "2.2", "srgb", "bent", "log"]
TONES: Final[tuple[Tone, ...]] = ("linear", "1.8", "2.2", "srgb", "bent", "log")

GLARE_CELL_MM: Final = 1.0
GLARE_REACH_MM: Final = (2.5, 12.0)
"""Standard deviations of the near and the far part of the glare, half each: light scattered in glass and lens."""

LOG_TONE_DECADES: Final = 3.6
"""A film digitizer that stores density: code 0 at this density, full scale at none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scanner:
    """A flatbed as it was set for one scan.

    Parameters
    ----------
    ppi
        Pixels an inch.
    bits
        8, 12 (in a 16-bit container, codes 0 to 4095) or 16.
    tone
        Tone curve laid on the signal before rounding; see `encoded`.
    gain
        Exposure: the signal is multiplied by it before clipping. Above 1 bare glass is blown out; below 1 it is not.
    offset
        Black level left after the scanner's own subtraction, fraction of full scale; may be negative.
    glare
        Fraction of the light that is scattered widely: a black spot on open glass reads about this much.
    stray
        Constant stray light, fraction of bare glass.
    psf_um
        Standard deviation of the Gaussian point spread, micrometres.
    shot_electrons
        Electrons of a pixel under bare glass; the shot noise is their square root.
    read_noise
        Electrons, standard deviation, at no light.
    lamp
        Unevenness of the light over the bed: half the span between brightest and darkest place, fraction.
    streaks
        Standard deviation of the gain from sensor column to sensor column, fraction.
    banding
        Standard deviation of the gain from scan line to scan line, fraction: lamp flicker and uneven drive.
    balance
        Gains of red, green and blue; three channels are stored when it is given.
    inverted
        Stored as a positive picture: clear film is black.
    lamp_seed
        Which unevenness: scans with the same number come from the same scanner.
    """

    ppi: float = 300.0
    bits: int = 16
    tone: Tone = "linear"
    gain: float = 1.0
    offset: float = 0.0
    glare: float = 0.003
    stray: float = 0.0
    psf_um: float = 40.0
    shot_electrons: float = 60_000.0
    read_noise: float = 12.0
    lamp: float = 0.005
    streaks: float = 0.0005
    banding: float = 0.0
    balance: tuple[float, float, float] | None = None
    inverted: bool = False
    lamp_seed: int = 1
    make: str = "Larkmoor Works"
    model: str = "Bed 3"
    software: str = "rendered by densiscan"

    def __post_init__(self) -> None:
        if self.bits not in (8, 12, 16):
            raise WrongUseError(f"a rendered scanner has 8, 12 or 16 bits, not {self.bits}.")
        if self.tone not in TONES:
            raise WrongUseError(f"a rendered scanner has one of the tone curves {', '.join(TONES)}, not {self.tone}.")

    @property
    def full_scale(self) -> int:
        """Largest code."""
        return int(2**self.bits - 1)


def faultless(ppi: float = 300.0, bits: int = 16) -> Scanner:
    """Return a scanner without any fault: its codes are full scale times transmittance, rounded."""
    return Scanner(
        ppi=ppi, bits=bits, glare=0.0, psf_um=0.0, shot_electrons=float("inf"), read_noise=0.0, lamp=0.0, streaks=0.0
    )


def encoded(signal: Array, tone: Tone) -> Array:
    """Return the tone curve's output (0 to 1) for a linear signal (0 to 1).

    `1.8` and `2.2` are plain powers; `srgb` is IEC 61966-2-1; `bent` an S laid over a power of 1.8, as a scanner's
    automatic tone makes it; `log` stores density over `LOG_TONE_DECADES`.
    """
    if tone == "linear":
        return signal
    if tone in ("1.8", "2.2"):
        return np.asarray(signal ** np.float32(1 / float(tone)), np.float32)
    if tone == "srgb":
        low = 12.92 * signal
        high = 1.055 * signal ** np.float32(1 / 2.4) - 0.055
        return np.asarray(np.where(signal <= 0.0031308, low, high), np.float32)
    if tone == "log":
        floor = np.float32(10**-LOG_TONE_DECADES)
        return np.asarray(1 + np.log10(np.maximum(signal, floor)) / LOG_TONE_DECADES, np.float32)
    powered = signal ** np.float32(1 / 1.8)
    # slope 1 - 0.5 cos() is never below one half: monotone
    return np.asarray(powered - np.float32(0.5 / (2 * np.pi)) * np.sin(2 * np.pi * powered), np.float32)


def scanned(transmittance: Array, scanner: Scanner, rng: np.random.Generator, channel: int = 1) -> Codes:
    """Return the codes the scanner stores for the light that passes the bed.

    Parameters
    ----------
    transmittance
        Shape (rows, columns), 0 to 1, pixel means.
    rng
        Source of shot and read noise.
    channel
        Which of `scanner.balance` applies.

    Returns
    -------
    ndarray
        uint8 for 8 bits, otherwise uint16; same shape.
    """
    light = transmittance * lamp_light(transmittance.shape, scanner) if scanner.lamp else transmittance
    signal = blurred(light, scanner.psf_um / 1000 * scanner.ppi / MM_PER_INCH)
    if scanner.glare or scanner.stray:
        signal = (1 - np.float32(scanner.glare)) * signal + np.float32(scanner.stray)
        if scanner.glare:
            signal += np.float32(scanner.glare) * scattered(light, scanner.ppi)
    signal = _with_noise(_striped(signal, scanner), scanner, rng)
    gain = scanner.gain * (scanner.balance[channel] if scanner.balance else 1.0)
    value = np.clip(np.float32(gain) * signal + np.float32(scanner.offset), 0, 1)
    value = encoded(value, scanner.tone)
    if scanner.inverted:
        value = 1 - value
    codes = np.rint(value.astype(np.float64) * scanner.full_scale)
    return codes.astype(np.uint8) if scanner.bits == 8 else codes.astype(np.uint16)


def _striped(signal: Array, scanner: Scanner) -> Array:
    """Lay the gains of sensor columns and scan lines on a signal."""
    rows, columns = signal.shape
    if scanner.streaks:
        gains: Array = np.random.default_rng([scanner.lamp_seed, 7]).standard_normal((1, columns), dtype=np.float32)
        signal = signal * (1 + np.float32(scanner.streaks) * gains)
    if scanner.banding:
        lines: Array = np.random.default_rng([scanner.lamp_seed, 8]).standard_normal((rows, 1), dtype=np.float32)
        signal = signal * (1 + np.float32(scanner.banding) * lines)
    return signal


def _with_noise(signal: Array, scanner: Scanner, rng: np.random.Generator) -> Array:
    """Add shot and read noise; the normal law stands for Poisson's, right above about ten electrons."""
    full = scanner.shot_electrons
    shot = 0.0 if np.isinf(full) else 1 / full
    read = 0.0 if np.isinf(full) else (scanner.read_noise / full) ** 2
    if not shot and not read:
        return signal
    sigma = np.sqrt(np.maximum(signal, 0) * np.float32(shot) + np.float32(read))
    return np.asarray(signal + sigma * rng.standard_normal(signal.shape, dtype=np.float32), np.float32)


def lamp_light(shape: tuple[int, ...], scanner: Scanner) -> Array:
    """Return the lamp's strength over the bed, shape (rows, columns), mean 1, half span `scanner.lamp`.

    Smooth: a slope, a fall towards the ends of the tube and a slow wave, with weights drawn from `lamp_seed`.
    """
    weights = np.random.default_rng([scanner.lamp_seed, 3]).normal(size=6)
    y, x = np.meshgrid(np.linspace(-1, 1, 33), np.linspace(-1, 1, 33), indexing="ij")
    field = weights[0] * x + 0.6 * weights[1] * y - abs(weights[2]) * x**2 + 0.4 * weights[3] * y**2
    field += 0.4 * weights[4] * np.sin(2.5 * x + weights[5])
    field -= field.mean()
    field *= scanner.lamp / (np.ptp(field) / 2)
    return enlarged((1 + field).astype(np.float32), (shape[0], shape[1]))


def scattered(light: Array, ppi: float) -> Array:
    """Return the wide-neighbourhood mean of the light, shape kept; beyond the bed its border goes on."""
    cell = max(1, round(GLARE_CELL_MM * ppi / MM_PER_INCH))
    rows, columns = light.shape
    pad = ((0, -rows % cell), (0, -columns % cell))
    padded = np.pad(light, pad, mode="edge")
    small = padded.reshape(padded.shape[0] // cell, cell, padded.shape[1] // cell, cell).mean(axis=(1, 3))
    cell_mm = cell * MM_PER_INCH / ppi
    spread = sum(blurred(small.astype(np.float32), reach / cell_mm) for reach in GLARE_REACH_MM) / len(GLARE_REACH_MM)
    return enlarged(np.asarray(spread, np.float32), padded.shape)[:rows, :columns]
