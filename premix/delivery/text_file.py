"""One text file that appears whole or not at all, for sheets and recipes that the user asked to save."""

from pathlib import Path

from premix.audiofile.writer import storage_error
from premix.errors import DeliveryError, Problem
from premix.messages.delivery import SLUGS


def write_text_file(path: Path, text: str, mark: str) -> None:
    """Write `text`, whose first line begins with `mark`; an existing file is replaced only if its first line does too.

    Raises DeliveryError where the place cannot be written or holds something else.
    """
    if path.exists() and not _is_ours(path, mark):
        raise DeliveryError(Problem(
            "save-exists", str(path), "something else is there", "a new name, or a file that premix wrote",
            SLUGS["save-exists"],
        ))
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(text, "utf-8", newline="\n")
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise storage_error(path, error) from None


def _is_ours(path: Path, mark: str) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(mark.encode())) == mark.encode()
    except OSError:
        return False
