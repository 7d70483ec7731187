"""Delivering a burn file to a station's watched folder: written whole, read back and hashed, older files
removed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from service.bench import burn_files as files
from service.records.errors import BadRequest
from service.records.folders import STATIONS, open_to_stations
from service.records.ids import LOAD, public
from service.shop.tools import Tools


@dataclass(frozen=True, slots=True)
class Delivered:
    """A file as it lies in the station's folder."""

    name: str
    sha256: str
    removed: tuple[str, ...]


def folder_of(data: Path, station: str) -> Path:
    """Where a station's laser program looks for files: `stations/NAME` in the data folder, which may be a
    link or a mount. Raises BadRequest for a name that can't be a folder's."""
    if (
        not station
        or station.startswith(".")
        or "/" in station
        or "\\" in station
        or not station.isprintable()
    ):
        raise BadRequest("this station's name can't name a folder", field="station")
    return data / STATIONS / station


def deliver(tools: Tools, load_id: int, turn: int, format_name: str) -> Delivered:
    """Put a turn's file into its station's folder. Other files of the same load are removed first: nobody
    must be able to pick a stale one.

    Raises what `files.burn_file` raises, and OSError when what was read back is not what was written.
    """
    offered = files.burn_file(tools, load_id, turn, format_name)
    served, folder = offered.file, folder_of(tools.settings.data, offered.station)
    removed = _take_away(folder, load_id, but=served.name)
    open_to_stations(folder)
    files.keep(folder / served.name, served.data, served.sha256)
    (folder / served.name).chmod(0o644)  # the laser's own program runs as somebody else
    return Delivered(served.name, served.sha256, removed)


def _take_away(folder: Path, load_id: int, *, but: str) -> tuple[str, ...]:
    if not folder.is_dir():
        return ()
    stale = sorted(path for path in folder.glob(f"{public(LOAD, load_id)}-t*") if path.name != but)
    for path in stale:
        path.unlink(missing_ok=True)
    return tuple(path.name for path in stale)
