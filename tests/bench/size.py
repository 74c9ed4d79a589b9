"""How large a bench's session is, and its recipe. Light: what starts the programs must not import what they use."""

import argparse
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

TRACKS = "tracks"
MICS_A_PERFORMANCE = 5
BUSES = ("left", "right", "centre")
_RECIPE = """format: 1
song: bench
tracks: {{name: "{{performance}}_{{mic}}.wav"}}
mics:
  dynamic: {{}}
  condenser: {{gain_db: -3}}
  ribbon: {{gain_db: -2}}
  sub: {{role: sub, gain_db: -8, low_pass_hz: 180}}
  room: {{role: room, gain_db: -12}}
performances:
{performances}deliver:
  ceiling_dbtp: {ceiling_dbtp:g}
  balance: in_sheet
"""


@dataclass(frozen=True, slots=True)
class Size:
    """performances: each has five tracks, four close mics and a room mic."""

    seconds: float
    rate: int
    performances: int

    @property
    def tracks(self) -> int:
        return MICS_A_PERFORMANCE * self.performances

    @property
    def frames(self) -> int:
        return round(self.seconds * self.rate)

    def names(self) -> list[str]:
        """'left_0', 'right_1', 'centre_2', 'left_3' ..."""
        return [f"{BUSES[number % 3]}_{number}" for number in range(self.performances)]


def write_sized_recipe(path: Path, size: Size, *, ceiling_dbtp: float = -1.0) -> None:
    """The house's usual recipe; each further performance on a side is 3 dB lower."""
    performances = "".join(
        f"  {name}: {{bus: {BUSES[number % 3]}, gain_db: {-3 * (number // 3)}}}\n"
        for number, name in enumerate(size.names())
    )
    path.write_text(_RECIPE.format(performances=performances, ceiling_dbtp=ceiling_dbtp), encoding="utf-8")


def prepare(folder: Path, size: Size, *, decide: bool = True) -> None:
    """Tracks, `recipe.yaml` and (decide) the decisions of a session, made by a process of its own in `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    write_sized_recipe(folder / "recipe.yaml", size)
    sizes = [str(size.seconds), str(size.rate), str(size.performances)]
    subprocess.run([sys.executable, "-m", "tests.bench.session", str(folder / TRACKS), *sizes], check=True)
    if decide:
        subprocess.run([sys.executable, "-m", "tests.bench.decisions", str(folder)], check=True)


def size_options(description: str | None) -> argparse.ArgumentParser:
    """The options of a bench that runs programs in turn on one session."""
    parser = argparse.ArgumentParser(description=description, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--rate", type=int, default=48000)
    parser.add_argument("--performances", type=int, default=3, help="of five tracks each")
    parser.add_argument("--runs", type=int, default=5)
    return parser
