"""The page of a song: how long it takes to make, how large and how long it is. `python -m tests.bench.page`.

Of the demo session of 25 tracks, 24 s and 4 min long, each rendered once; the page is then written three times in a
fresh process, and the fastest counts. Heights are what Chromium lays out before anything is unfolded. Bounds: 5 s,
12 MB and 5,000 px at 1200 px.
"""

import json
import re
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import nullcontext
from pathlib import Path
from unittest.mock import patch

from tests.bench.machine import versions

SECONDS = (24.0, 240.0)
RUNS = 3
RECIPE = Path(__file__).parents[2] / "recipes" / "house.yaml"
RESULTS = Path(__file__).with_suffix(".json")
_FRAME = """<iframe id="f" width="{width}" height="900" style="border:0" src="{page}"></iframe>
<script>onload = () => {{ document.title = f.contentDocument.documentElement.scrollHeight; }}</script>"""
"""A page in a window of its own width, whose height becomes the title."""
_CLIPS = re.compile(r'<script type="text/plain".*?</script>', re.DOTALL)


def write_pages(tracks: Path, folder: Path) -> dict[str, float]:
    """Render a session, then write its page; fastest wall and CPU seconds, and bytes."""
    from premix.pipeline import render
    from premix.report.page import write_report

    scratch = folder / "scratch"
    scratch.mkdir()
    with patch("premix.pipeline.scratch_folder", lambda: nullcontext(scratch)):
        outcome = render(RECIPE, tracks, folder / "out")
    walls, cpus = [], []
    for _ in range(RUNS):
        wall, cpu = time.perf_counter(), time.process_time()
        page = write_report(outcome.rendered, outcome.manifest, folder / "page.html").path
        walls.append(time.perf_counter() - wall)
        cpus.append(time.process_time() - cpu)
    text = page.read_text("utf-8")
    return {
        "wall_s": round(min(walls), 2),
        "cpu_s": round(min(cpus), 2),
        "mb": round(len(text.encode()) / 1e6, 2),
        "mb_without_clips": round(len(_CLIPS.sub("", text).encode()) / 1e6, 2),
    }


def heights(page: Path) -> dict[str, int]:
    """Of the page in px at 1200 and 400 px, where there is a browser."""
    program = shutil.which("chromium")
    if program is None:
        return {}
    found = {}
    for width in (1200, 400):
        framed = page.with_name(f"framed_{width}.html")
        framed.write_text(_FRAME.format(width=width, page=page.name), "utf-8")
        with tempfile.TemporaryDirectory() as profile:
            flags = ["--headless", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files", "--dump-dom"]
            flags += [
                "--disable-background-networking",
                f"--user-data-dir={profile}",
                f"--window-size={width + 50},1000",
            ]
            said = subprocess.run([program, *flags, framed.as_uri()], capture_output=True, text=True, check=True).stdout
        title = re.search(r"<title>(\d+)</title>", said)
        found[f"px_at_{width}"] = int(title[1]) if title else 0
    return found


def main() -> None:
    results = {}
    with tempfile.TemporaryDirectory() as top:
        for seconds in SECONDS:
            folder = Path(top) / f"{seconds:.0f}"
            tracks = folder / "tracks"
            demo = [sys.executable, "-m", "premix", "demo", str(tracks), "--seconds", str(seconds)]
            subprocess.run(demo, capture_output=True, check=True)
            child = [sys.executable, "-m", "tests.bench.page", str(tracks), str(folder)]
            made = json.loads(subprocess.run(child, capture_output=True, text=True, check=True).stdout)
            results[f"{seconds:.0f} s"] = made | heights(folder / "page.html")
            print(f"25 tracks of {seconds:.0f} s: {results[f'{seconds:.0f} s']}")
    RESULTS.write_text(json.dumps({"versions": versions(), "pages": results}, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    if len(sys.argv) == 3:
        print(json.dumps(write_pages(Path(sys.argv[1]), Path(sys.argv[2]))))
    else:
        main()
