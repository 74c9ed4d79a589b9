"""Every subject that has pictures. To add one: a file in this room, a line here, a place in the template."""

from collections.abc import Callable, Iterator
from itertools import islice

from premix.report.figures import attack, doubling, efficiency, gate, levels, phase, stereo
from premix.report.figures.picture import Material, Picture

SUBJECTS: dict[str, Callable[[Material], Iterator[Picture]]] = {
    "efficiency": efficiency.pictures,
    "attack": attack.pictures,
    "phase": phase.pictures,
    "gate": gate.pictures,
    "stereo": stereo.pictures,
    "levels": levels.pictures,
    "doubling": doubling.pictures,
}
"""Subject -> its pictures of a finished run."""

MOST_PICTURES = 12
"""Of one subject: songs with more performances show the first ones."""


def pictures_of(material: Material) -> tuple[dict[str, list[Picture]], list[str]]:
    """Pictures by subject, and what was left out of them."""
    made: dict[str, list[Picture]] = {}
    left_out = []
    for subject, pictures in SUBJECTS.items():
        found = list(islice(pictures(material), MOST_PICTURES + 1))
        made[subject] = found[:MOST_PICTURES]
        if len(found) > MOST_PICTURES:
            left_out.append(f"pictures: {subject}, all but the first {MOST_PICTURES}")
    return made, left_out
