"""Whether the tracks are still those that were analysed: asked before what was made of them is delivered."""

from dataclasses import replace

from premix.audiofile.headers import read_header, stamp_of
from premix.audiofile.reader import TrackReader
from premix.errors import Problem, TracksError
from premix.messages.tracks import SLUGS
from premix.model.analysis import Analysis
from premix.model.tracks import Track, TrackSet


def check_unchanged(tracks: TrackSet, analysis: Analysis) -> None:
    """Raise TracksError for every track whose samples are no longer those of the analysis.

    A file with the size and time of change of its header is taken as unchanged; any other is hashed again, so a
    file that was only touched or copied back is none.
    """
    problems = []
    for track in tracks.tracks:
        if not _same(track, analysis.levels_of(track.performance, track.mic).sha256):
            what = f"{track.header.path.name} was changed or removed while premix was reading it"
            problems.append(Problem("changed-file", track.name, what, remedy=SLUGS["changed-file"]))
    if problems:
        raise TracksError(problems)


def _same(track: Track, sha256: str) -> bool:
    path = track.header.path
    try:
        if stamp_of(path) == track.header.stamp:
            return True
        header = read_header(path, recover=track.header.recovered)
        with TrackReader(replace(track, header=header), hash_samples=True) as reader:
            return reader.sha256() == sha256
    except (OSError, TracksError):
        return False
