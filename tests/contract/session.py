"""A small invented session of its own, written by numpy and soundfile alone.

All synthesis is done in whole numbers, so the tracks are the same to the last bit on every machine.
"""

import math
import shutil
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

Whole = npt.NDArray[np.int64]

RATE = 48_000
FRAMES = 168_000
PERFORMANCES = ("left", "right", "centre")
MICS = ("dynamic", "condenser", "sub", "room", "hall")
UNIT = 4096
"""Taps are written in parts of this."""


def write_sessions(folder: Path) -> None:
    """The tracks folder of each variety of the session, by name, below `folder`."""
    for name, vary in VARIETIES.items():
        tracks = folder / name
        tracks.mkdir(parents=True)
        for track, samples in session(tracks).items():
            write_track(tracks / f"{track}.wav", samples)
        vary(tracks)


def session(tracks: Path) -> dict[str, Whole]:
    """Track name -> samples of 24 bits; `tracks` names the variety."""
    turned = tracks.name == "turned"
    return {
        f"{performance}_{mic}": _heard(_played(at), mic, 10 * at + place, turned)
        for at, performance in enumerate(PERFORMANCES)
        for place, mic in enumerate(MICS)
    }


def write_track(path: Path, samples: Whole, rate: int = RATE, subtype: str = "PCM_24", channels: int = 1) -> None:
    """Samples of 24 bits as a file of any kind; several channels hold the same."""
    values = np.repeat((samples.astype(np.int32) << 8)[:, None], channels, axis=1)
    if subtype == "FLOAT":
        soundfile.write(path, (samples / 2.0**23).astype(np.float32), rate, subtype)
    else:
        soundfile.write(path, values, rate, subtype)


def read_track(path: Path) -> Whole:
    """Samples of 24 bits of a mono track."""
    values, _ = soundfile.read(path, dtype="int32")
    return np.asarray(values.astype(np.int64) >> 8)


def stamp(path: Path, samples_since_midnight: int) -> None:
    """Put a bext chunk with this start time in front of a WAV file's other chunks."""
    raw = path.read_bytes()
    texts = struct.pack("<256s32s32s10s8s", b"", b"contract", b"", b"2030-01-02", b"10:11:12")
    body = texts + struct.pack("<QH", samples_since_midnight, 1) + bytes(254)
    chunk = b"bext" + struct.pack("<I", len(body)) + body
    size = struct.unpack("<I", raw[4:8])[0] + len(chunk)
    path.write_bytes(raw[:4] + struct.pack("<I", size) + raw[8:12] + chunk + raw[12:])


def _played(at: int) -> Whole:
    """One pass: band-limited noise in passages with stops between; every pass is its own, a little early or late."""
    rng = np.random.default_rng([at, 77])
    noise = rng.integers(-(2**21), 2**21, FRAMES + 1024)
    sound = _through(noise - np.roll(noise, 29), _low_pass(5000.0, 48))[: FRAMES + 512]
    level = np.zeros(FRAMES + 512, np.int64)
    for start_s, length_s in ((0.25, 0.5), (1.0, 0.3), (1.55, 0.6), (2.5, 0.45), (3.1, 0.2)):
        start = round(start_s * RATE) + int(rng.integers(-500, 500))
        length = round(length_s * RATE)
        fall = 1024 - (np.arange(length) * 700) // length
        level[start : start + length] = fall[: max(0, len(level) - start)]
    return (sound * level) // 1024


def _heard(played: Whole, mic: str, seed: int, turned: bool) -> Whole:
    """What a mic makes of it: its distance, colour, polarity, the room, and its own noise."""
    if mic == "dynamic":
        sound = played
    elif mic == "condenser":
        sound = -_through(_late(played, 11.375), np.array([3200, 700, -300, 150]))
        sound = _through(sound, _all_pass(420.0)) if turned else sound
    elif mic == "sub":
        sound = _through(_late(played, 6.625), _low_pass(400.0, 200))[200:] * 2
    else:
        far, echoes = (431, (0, 383, 977, 1613, 2711)) if mic == "room" else (907, (0, 511, 1291, 2393, 4007))
        arrivals = np.zeros(far + echoes[-1] + 1, np.int64)
        arrivals[[far + echo for echo in echoes]] = [2400, -1500, 1100, 800, -500]
        sound = _through(played, arrivals)
    noise = np.random.default_rng([seed, 78]).integers(-60, 61, FRAMES)
    return np.asarray(np.clip(sound[:FRAMES] + noise, -(2**23), 2**23 - 1), np.int64)


def _through(samples: Whole, taps: Whole) -> Whole:
    """Convolution in whole numbers; as long as what went in."""
    total = np.zeros(len(samples), np.int64)
    for place, tap in enumerate(taps.tolist()):
        if tap:
            total[place:] += samples[: len(samples) - place] * tap
    return total // UNIT


def _taps(values: list[float]) -> Whole:
    return np.array([round(value * UNIT) for value in values], np.int64)


def _low_pass(cutoff_hz: float, half: int) -> Whole:
    share = 2.0 * cutoff_hz / RATE
    window = [0.5 + 0.5 * math.cos(math.pi * n / (half + 1)) for n in range(-half, half + 1)]
    ideal = [share if n == 0 else math.sin(math.pi * share * n) / (math.pi * n) for n in range(-half, half + 1)]
    return _taps([a * b for a, b in zip(window, ideal, strict=True)])


def _late(samples: Whole, by: float) -> Whole:
    """Later by a fraction of samples: a short sinc in a cosine window."""
    whole, half = int(by), 5
    rest = by - whole
    places = [n - rest for n in range(-half, half + 1)]
    taps = [math.sin(math.pi * p) / (math.pi * p) * (0.5 + 0.5 * math.cos(math.pi * p / (half + 1))) for p in places]
    return _through(samples, np.concatenate([np.zeros(whole - half, np.int64), _taps(taps)]))


def _all_pass(corner_hz: float) -> Whole:
    """First order: the level stays, the phase turns about the corner."""
    tan = math.tan(math.pi * corner_hz / RATE)
    a = (tan - 1.0) / (tan + 1.0)
    return _taps([a] + [(1.0 - a * a) * (-a) ** n for n in range(150)])


def _plain(tracks: Path) -> None:
    (tracks / "song.yaml").write_text("song: Saltmarsh\n", "utf-8")
    (tracks / "notes.txt").write_text("second take kept\n", "utf-8")


def _strange(tracks: Path) -> None:
    """One close mic that recorded something else, and one that recorded nothing."""
    rng = np.random.default_rng(79)
    write_track(tracks / "right_condenser.wav", _through(rng.integers(-(2**21), 2**21, FRAMES), _low_pass(4000.0, 48)))
    write_track(tracks / "centre_sub.wav", np.zeros(FRAMES, np.int64))


def _late_start(tracks: Path) -> None:
    """One track exported 0.4 s late, its end cut off."""
    path, late = tracks / "right_condenser.wav", 19_200
    write_track(path, np.concatenate([np.zeros(late, np.int64), read_track(path)[:-late]]))


def _stamped(tracks: Path) -> None:
    """Start times in every file; one began 4800 samples after the others, and one is shorter."""
    path = tracks / "left_room.wav"
    write_track(path, read_track(path)[4800:])
    short = tracks / "right_sub.wav"
    write_track(short, read_track(short)[:150_000])
    for file in tracks.glob("*.wav"):
        stamp(file, 10 * 3600 * RATE + (4800 if file == path else 0))


def _kinds(tracks: Path) -> None:
    """Files of many kinds at 44.1 kHz, other names, and a mic that is missing in one performance."""
    for file in sorted(tracks.glob("*.wav")):
        write_track(file, read_track(file), 44_100)
    for name, kind, subtype, channels in (
        ("left_dynamic", "flac", "PCM_24", 1),
        ("left_condenser", "aiff", "PCM_24", 1),
        ("left_sub", "wav", "FLOAT", 1),
        ("right_dynamic", "wav", "PCM_24", 2),
        ("right_sub", "wav", "PCM_16", 1),
    ):
        samples = read_track(tracks / f"{name}.wav")
        (tracks / f"{name}.wav").unlink()
        write_track(tracks / f"{name}.{kind}", samples, 44_100, subtype, channels)
    (tracks / "right_room.wav").rename(tracks / "right_far.wav")
    (tracks / "centre_condenser.wav").rename(tracks / "third take.wav")
    (tracks / "centre_hall.wav").unlink()


def _cut_off(tracks: Path) -> None:
    """One file whose end was never copied."""
    path = tracks / "left_hall.wav"
    path.write_bytes(path.read_bytes()[:400_000])


def _missing(tracks: Path) -> None:
    (tracks / "right_condenser.wav").unlink()


VARIETIES: dict[str, Callable[[Path], None]] = {
    "plain": _plain,
    "turned": lambda tracks: None,
    "strange": _strange,
    "late": _late_start,
    "stamped": _stamped,
    "kinds": _kinds,
    "cut_off": _cut_off,
    "missing": _missing,
}


def write_response(path: Path) -> None:
    """An impulse response for the convolution: a short decaying ring in whole numbers."""
    noise = np.random.default_rng(80).integers(-(2**21), 2**21, 1500)
    fall = 1024 * (1500 - np.arange(1500)) // 1500
    write_track(path, (noise * fall * fall) // 2**20)


def copy_folder(source: Path, goal: Path) -> Path:
    """A copy to spoil."""
    return Path(shutil.copytree(source, goal))
