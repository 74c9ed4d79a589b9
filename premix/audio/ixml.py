"""The iXML chunk of a WAV: what a workstation calls the channels, and where they start, beside the bext chunk.

After the published iXML specification (Gallery, www.ixml.info), in which every element is optional; only those are
written that say something here. The text is UTF-8, so names keep their accents.
"""

import struct
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

from premix.audio.chunks import scan_chunks

_VERSION = "2.10"


@dataclass(frozen=True, slots=True)
class IxmlFields:
    """What is written. project: the song. tracks: a name a channel. note: free text. family: name of the set of files,
    `files` of them. time_reference: the first sample, in samples since midnight at `rate`."""

    project: str
    tracks: tuple[str, ...]
    rate: int
    bits: int
    time_reference: int
    note: str = ""
    files: int = 1


def ixml_body(fields: IxmlFields) -> bytes:
    """The chunk's body; its length is even."""
    root = ElementTree.Element("BWFXML")

    def add(parent: ElementTree.Element, **texts: object) -> None:
        for name, text in texts.items():
            ElementTree.SubElement(parent, name.upper()).text = _plain(str(text))

    add(root, ixml_version=_VERSION, project=fields.project, note=fields.note)
    add(
        ElementTree.SubElement(root, "SPEED"),
        file_sample_rate=fields.rate,
        audio_bit_depth=fields.bits,
        digitizer_sample_rate=fields.rate,
        timestamp_samples_since_midnight_hi=fields.time_reference >> 32,
        timestamp_samples_since_midnight_lo=fields.time_reference & 0xFFFFFFFF,
        timestamp_sample_rate=fields.rate,
    )
    add(ElementTree.SubElement(root, "FILE_SET"), total_files=fields.files, family_name=fields.project)
    tracks = ElementTree.SubElement(root, "TRACK_LIST")
    add(tracks, track_count=len(fields.tracks))
    for number, name in enumerate(fields.tracks, 1):
        add(ElementTree.SubElement(tracks, "TRACK"), channel_index=number, interleave_index=number, name=name)
    ElementTree.indent(root)
    body: bytes = ElementTree.tostring(root, encoding="UTF-8", xml_declaration=True)
    return body + b"\n" * (1 + (len(body) + 1) % 2)


def _plain(text: str) -> str:
    """Without the characters that XML 1.0 cannot hold."""
    return "".join(c for c in text if c.isprintable())


def insert_ixml(path: Path, fields: IxmlFields) -> None:
    """Put the chunk before the samples of a WAV or RF64 that holds none yet; sizes are written when it is closed."""
    body = ixml_body(fields)
    with path.open("r+b") as file:
        scan = scan_chunks(file)
        data = scan.find(b"data") if scan is not None else None
        if data is None:
            return
        file.seek(data.offset - 8)
        rest = file.read()
        file.seek(data.offset - 8)
        file.write(struct.pack("<4sI", b"iXML", len(body)) + body + rest)
