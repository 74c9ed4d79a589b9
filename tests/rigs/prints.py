"""Prints of a set-up written by hand: places, levels and colours of mics, and noise of a known size on every band."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from premix.audio.bands import third_octave_bands
from premix.measures.pooled import pooled_print
from premix.model.set_up import MicPrint, SetUp, SetUpPrint
from premix.units import speed_of_sound_m_s

FloatArray = npt.NDArray[np.float64]
RATE = 48000
CENTRES = tuple(band.centre_hz for band in third_octave_bands(40.0, 6300.0))
MEAN_HZ = np.array(CENTRES) * 0.5 * (10**0.05 + 10**-0.05)

SHELF_HZ = 1800.0


@dataclass(frozen=True)
class Placed:
    """path_mm: behind the reference. colour: seed of its own level and phase by band. top_db: of an analogue shelf of
    first order. converter_s: its latency."""

    path_mm: float
    level_db: float = 0.0
    colour: int = 0
    polarity: int = 1
    top_db: float = 0.0
    converter_s: float = 0.0
    role: str = "close"


RIG: Mapping[str, Placed] = {
    "condenser": Placed(150.0, -2.0, 1, converter_s=0.4e-3),
    "ribbon": Placed(290.0, -4.0, 2, -1),
    "room": Placed(2900.0, -1.0, 3, role="room"),
}


@dataclass(frozen=True)
class Told:
    """error_db, error_rad: standard errors that the prints state; noise: how many of them their figures are off."""

    error_db: float = 0.03
    error_rad: float = 0.003
    noise: float = 1.0


def setup_of(
    mics: Mapping[str, Placed] = RIG, seed: int = 0, *, temperature_c: float = 20.0, takes: int = 2, told: Told = Told()
) -> SetUp:
    """A song's set-up in air of a temperature that its recipe does not know: that says 20 degrees."""
    rng = np.random.default_rng(seed)
    prints = tuple(
        SetUpPrint(
            performance=f"p{take}",
            reference="dynamic",
            riff_s=10.0,
            mics=tuple(_mic(name, mic, temperature_c, told, rng) for name, mic in mics.items()),
        )
        for take in range(takes)
    )
    pooled = pooled_print(prints, CENTRES, RATE, 20.0)
    return SetUp(rate=RATE, temperature_c=20.0, centres_hz=CENTRES, pooled=pooled, performances=prints)


def _mic(name: str, mic: Placed, temperature_c: float, told: Told, rng: np.random.Generator) -> MicPrint:
    own = np.random.default_rng([mic.colour, 5])
    levels = mic.level_db + own.uniform(-4.0, 4.0, len(CENTRES))
    phases = own.uniform(-0.6, 0.6, len(CENTRES))
    shelf = 1j * MEAN_HZ / SHELF_HZ
    top = (1.0 + shelf * 10.0 ** (mic.top_db / 20.0)) / (1.0 + shelf)
    levels += 20.0 * np.log10(np.abs(top))
    phases = phases + np.angle(top)
    late_s = mic.path_mm / 1000.0 / speed_of_sound_m_s(temperature_c) + mic.converter_s
    # Where the print puts its own delay does not matter: what is left stands in its phases.
    put_s = round(late_s * RATE) / RATE
    phases = phases - 2 * np.pi * MEAN_HZ * (late_s - put_s)
    levels += told.noise * told.error_db * rng.standard_normal(len(CENTRES))
    phases += told.noise * told.error_rad * rng.standard_normal(len(CENTRES))
    many = (len(CENTRES),)
    return MicPrint(
        mic=name,
        role=mic.role,  # type: ignore[arg-type]
        polarity=mic.polarity,
        delay_samples=put_s * RATE,
        delay_error_samples=0.01,
        delay_mm=1000.0 * put_s * speed_of_sound_m_s(20.0),
        delay_error_mm=0.07,
        level_db=float(levels.mean()),
        level_error_db=0.03,
        coherence=0.9,
        levels_db=tuple(levels.tolist()),
        level_errors_db=tuple(np.full(many, told.error_db).tolist()),
        phases_deg=tuple(np.degrees((phases + np.pi) % (2 * np.pi) - np.pi).tolist()),
        phase_errors_deg=tuple(np.degrees(np.full(many, told.error_rad)).tolist()),
    )
