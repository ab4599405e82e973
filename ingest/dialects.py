"""Foreign dialects at the edge: the mapping file read once, and asked for every topic that is not the contract's."""

from __future__ import annotations

from pathlib import Path

from fleet.errors import SetupError
from fleet.settings import Settings
from fleet.wire_mapping import FILE_FORMATS, Found, Reader, load_mapping


class Dialects:
    """The dialects of a mapping file."""

    def __init__(self, readers: list[Reader]) -> None:
        self.readers = readers
        self.topics = tuple(reader.filter for reader in readers if reader.filter is not None)

    def __call__(self, topic: str, payload: bytes, at: float) -> list[Found] | None:
        """What the first dialect that fits makes of a payload; None if none fits."""
        for reader in self.readers:
            if reader.matches(topic):
                return reader.read(topic, payload, at)
        return None

    def for_file(self, path: Path) -> Reader | None:
        """The dialect that reads this log; None if none does."""
        for reader in self.readers:
            if reader.dialect.format in FILE_FORMATS and reader.matches(path.name):
                return reader
        return None


def foreign_of(settings: Settings, given: Path | None = None) -> Dialects | None:
    """The dialects that a command line or the settings name.

    Raises
    ------
    SetupError
        If the mapping file can't be read or is wrong.
    """
    if given is None and settings.ingest.mapping is None:
        return None
    path = given or Path(settings.folder) / str(settings.ingest.mapping)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as why:
        raise SetupError(f"{path}: {why}. Name the mapping file in ingest.mapping or with --mapping.") from why
    return Dialects(load_mapping(text, str(path)))
