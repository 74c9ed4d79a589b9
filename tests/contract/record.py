"""Write again what the contract expects: `python -m tests.contract.record [--keep FOLDER]`.

Only where a change of sound, words or fields is meant: look through the diff of the stored files line by line.
--keep leaves the renders in FOLDER/<name> and their inputs in FOLDER/_in, for null tests later.
"""

import argparse
import tempfile
from pathlib import Path

from tests.contract import stored
from tests.contract.holding import kept
from tests.contract.mistakes import MISTAKES, make_song, told
from tests.contract.printed import VALUES, WRITTEN, documents, help_of, texts, values
from tests.contract.samples import machine
from tests.contract.workshop import HEARD, Workshop, sounds_of


def record(top: Path) -> None:
    """Run everything in the folder `top`, and store what comes out."""
    shop = Workshop(top)
    stored.write(stored.HASHES, {"machine": machine(), "files": {name: sounds_of(shop, name) for name in HEARD}})
    for name in VALUES:
        stored.write(stored.EXPECTED / "values" / f"{name}.json", values(shop, name))
    said = {name: run().plain() for name, run in texts(shop).items()}
    stored.write(stored.EXPECTED / "texts.json", said)
    for name, run in documents(shop).items():
        stored.write(stored.EXPECTED / "documents" / f"{name}.json", kept(run()))
    written = {name: (shop.render(render) / file).read_text("utf-8") for name, (render, file) in WRITTEN.items()}
    stored.write(stored.EXPECTED / "written.json", written)
    stored.write(stored.EXPECTED / "help.json", help_of(shop))
    make_song(top / "_mistakes" / "song")
    faults = {name: told(top / "_mistakes" / "song", top / "_mistakes" / name, name).plain() for name in MISTAKES}
    stored.write(stored.EXPECTED / "mistakes.json", faults)


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.contract.record", description=__doc__)
    parser.add_argument("--keep", type=Path, help="Leave renders and inputs here.")
    keep = parser.parse_args().keep
    if keep is not None:
        keep.mkdir(parents=True)
        record(keep.resolve())
        return
    with tempfile.TemporaryDirectory(prefix="contract-") as folder:
        record(Path(folder).resolve())


if __name__ == "__main__":
    main()
