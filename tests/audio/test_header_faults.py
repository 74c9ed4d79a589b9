"""Mutated files: whatever stands in a header, intake ends with readable tracks or with its own error."""

import random
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from premix.audio.reader import TrackReader
from premix.errors import TracksError
from premix.model.tracks import FoundTrack
from premix.tracks.intake import take_in
from tests.audio.recordings import integers, record
from tests.rigs.songs import song_from

WANTED = song_from({"format": 1, "mics": {"m": {}}, "performances": {"p": {"bus": "left"}}})
KINDS = (
    ("WAV", "PCM_24", 1),
    ("WAV", "FLOAT", 2),
    ("WAVEX", "PCM_16", 1),
    ("RF64", "PCM_24", 1),
    ("FLAC", "PCM_24", 1),
    ("AIFF", "PCM_24", 1),
    ("W64", "PCM_24", 1),
    ("CAF", "PCM_24", 1),
    ("WAV", "IMA_ADPCM", 1),
)
MUTATIONS_EACH = 60
MOST_BYTES = 50_000_000


def mutate(content: bytes, dice: random.Random) -> bytes:
    """Bytes of the first 120 changed, set to telling values, removed, put in, or the whole cut short."""
    mutated = bytearray(content)
    for _ in range(dice.randint(1, 4)):
        at = dice.randrange(min(120, len(mutated)))
        match dice.randrange(5):
            case 0:
                mutated[at] = dice.randrange(256)
            case 1:
                telling = [bytes(4), b"\xff" * 4, b"\x7f\xff\xff\xff", b"\x01\0\0\0"]
                mutated[at : at + 4] = dice.choice(telling)
            case 2:
                del mutated[at : at + dice.randint(1, 8)]
            case 3:
                mutated[at:at] = dice.randbytes(dice.randint(1, 8))
            case 4:
                del mutated[dice.randrange(1, len(mutated)) :]
    return bytes(mutated)


@pytest.mark.parametrize(("container", "subtype", "channels"), KINDS)
def test_mutated_header_never_escapes(tmp_path: Path, container: str, subtype: str, channels: int) -> None:
    """60 mutations of each format, 540 in all: accepted and readable to the end, or a TracksError; and never
    more memory than a few blocks need, whatever length or channel count the header claims."""
    dice = random.Random(f"{container} {subtype}")
    samples = np.repeat(integers(3000), channels, axis=1)
    content = record(tmp_path / "a", samples, subtype, container).read_bytes()
    outcomes = {"accepted": 0, "refused": 0}
    tracemalloc.start()
    for _ in range(MUTATIONS_EACH):
        path = tmp_path / "mutated.wav"
        path.write_bytes(mutate(content, dice))
        for recover in (False, True):
            outcomes[outcome(path, tmp_path, recover)] += 1
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < MOST_BYTES
    assert min(outcomes.values()) > 0  # the mutations are neither all harmless nor all fatal


def outcome(path: Path, folder: Path, recover: bool) -> str:
    """Take the file in and read it through, as a run would."""
    try:
        song = take_in(WANTED, [FoundTrack("p", "m", path)], folder, recover=recover)
        with TrackReader(song.mics[0].track, hash_samples=True) as reader:
            reader.read(0, np.empty(4000))
            reader.read(song.frames - 10, np.empty(100))
            reader.sha256()
    except TracksError:
        return "refused"
    return "accepted"
