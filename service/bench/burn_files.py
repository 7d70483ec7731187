"""Burn files: made from frozen outlines and the load's locked versions, judged before a byte leaves.

The load is judged first, then each file as written, by its own beam paths. A file is built in a geometry
process, written beside its place, synced, renamed, read back and hashed. Its digest is its name on disk, so a
file is the same on every machine; a lost one is built again and must come out the same.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import structlog
from sqlalchemy.orm import Session

from layout.burn.formats import MEDIA_TYPES
from layout.pictures.guide import guide_svg
from layout.shop.shop import Shop
from service.bench import burn_file_rows as file_rows
from service.bench.building import Built, build
from service.bench.judging import LoadView, refuse_load, refuse_with, view_load, without_fonts
from service.loads import contents
from service.loads import load as loads
from service.loads import load_rows as rows
from service.plan import paces as learning
from service.records.errors import AlreadyBurned, DatabaseBusy, MoveNotAllowed, NotFound, StaleFile
from service.records.ids import LOAD, public
from service.records.states import LoadState
from service.records.tables import Load, TurnFile
from service.requests.served import Served
from service.shop.tools import Tools

log = structlog.get_logger(__name__)

#: States in which a turn of the load may still be burned by a file that leaves now.
_SERVED = frozenset({LoadState.CLAIMED, LoadState.PULLED, LoadState.SEATED, LoadState.TURNING})

#: A file that is built while its load is given out is there so soon, or it is built by whoever asks for it.
_BUILT_WITHIN = timedelta(seconds=5)
_LOOK_AGAIN_SECONDS = 0.1


# --- for routes and tasks ---


def prepare(
    tools: Tools, view: LoadView, *, formats: Sequence[str] | None = None
) -> dict[tuple[int, str], TurnFile]:
    """Judge a load and build the missing files of its turns that are still to be burned, in the station's
    formats or the named ones; returns the files by turn and format. Raises LoadRefused."""
    files, missing = _files(tools, view, formats)
    if missing and _is_just_given_out(tools, view):
        files, missing = _files(tools, _once_built(tools, view, missing), formats)
    if missing:
        refuse_load(tools, view)
    for turn, format_name in missing:
        row = _build(tools, view, turn, format_name)
        if row is not None:
            files[turn, format_name] = row
    return files


def begin(tools: Tools, view: LoadView, *, formats: Sequence[str]) -> None:
    """Judge a load that is being given out, and have its files built in those formats while its plate is
    mounted and its units are fetched; at once where nobody can build them beside the caller. Raises
    LoadRefused."""
    _, missing = _files(tools, view, formats)
    if not missing:
        return
    refuse_load(tools, view)
    if tools.geometry.has_workers:
        threading.Thread(
            target=_build_behind, args=(tools, view, missing), name="ricasso-files", daemon=True
        ).start()
        return
    for turn, format_name in missing:
        _build(tools, view, turn, format_name)


def are_lacking(session: Session, load: Load) -> bool:
    """Whether a turn that may still burn has no file of the load's current revision."""
    turns = {slot.turn for slot in contents.pending(load)}
    if LoadState(load.state) not in _SERVED:
        return False
    return not turns <= {file.turn for file in rows.files(session, load.id, revision=load.revision)}


@dataclass(frozen=True, slots=True)
class Offered:
    """A burn file, and the station it is for."""

    station: str
    file: Served


def burn_file(tools: Tools, load_id: int, turn: int, format_name: str) -> Offered:
    """One burn file, as bytes read back from disk and hashed.

    The load is looked up once, and again only if its contents change while the file is being built.

    Raises NotFound for a turn or format that does not exist, LoadRefused, AlreadyBurned when nothing of the
    turn is left to burn, MoveNotAllowed when the load is burning or over.
    """
    for _ in range(3):
        view = view_load(tools, load_id)
        _must_be_servable(view, turn, format_name)
        if _lacks_a_card(view):  # withdrawn after the files were judged and built
            refuse_load(tools, view)
        row = prepare(tools, view, formats=[format_name]).get((turn, format_name))
        if row is not None:
            return Offered(view.load.station, _serve(tools, row))
    raise StaleFile("the load changes faster than its files are built; try again", turn=turn)


def guide(tools: Tools, load_id: int, turn: int) -> Served:
    """The guide of a turn, named like its burn file: slots, units and labels, never for burning. Raises
    NotFound."""
    with tools.database.reading() as session:
        load = loads.find(session, load_id)
        if not 1 <= turn <= load.turns:
            raise NotFound(f"no turn {turn}", turn=turn)
        shop = tools.catalogue.at(session, load.catalogue_version)
        layout = loads.layout_of(session, load, whole=True)
        files = rows.files(session, load.id, revision=load.revision)
        codes = [file.short_code for file in files if file.turn == turn][:1]
        name = "-".join([public(LOAD, load.id), f"t{turn}", f"r{load.revision}", *codes])
    data = tools.geometry.work(guide_svg, without_fonts(shop), layout, turn, name)
    return Served.of(data, f"{name}-guide.svg", MEDIA_TYPES["svg"])


# --- steps ---


def _files(
    tools: Tools, view: LoadView, formats: Sequence[str] | None
) -> tuple[dict[tuple[int, str], TurnFile], list[tuple[int, str]]]:
    """Files on record of the turns that are still to be burned, by turn and format, and those that must be
    built: they are not on record, or no longer on disk as they were."""
    if LoadState(view.load.state) not in _SERVED:
        return {}, []
    turns = sorted({slot.turn for slot in contents.pending(view.load)})
    names = formats or view.shop.stations[view.load.station].formats
    wanted = [(turn, name) for turn in turns for name in names]
    on_record = {(row.turn, row.format): row for row in view.files}
    files = {key: on_record[key] for key in wanted if key in on_record}
    return files, [key for key in wanted if key not in files or _read(tools, files[key].sha256) is None]


def _build_behind(tools: Tools, view: LoadView, missing: Sequence[tuple[int, str]]) -> None:
    """What can't be built now is built, or refused, when it is asked for."""
    try:
        for turn, format_name in missing:
            _build(tools, view, turn, format_name)
    except Exception as error:
        log.warning("file_not_built_ahead", load=public(LOAD, view.load.id), kind=type(error).__name__)


def _is_just_given_out(tools: Tools, view: LoadView) -> bool:
    """Whether the load's first file is perhaps being built by the process that gave it out."""
    since = tools.clock() - view.load.created_at
    return tools.geometry.has_workers and view.load.revision == 1 and timedelta(0) <= since < _BUILT_WITHIN


def _once_built(tools: Tools, view: LoadView, missing: Sequence[tuple[int, str]]) -> LoadView:
    """The load with the files that somebody else has built by now; they are waited for, no longer than they
    usually take."""
    preferred = view.shop.stations[view.load.station].formats[0]
    awaited = {key for key in missing if key[1] == preferred}
    ends = time.monotonic() + _BUILT_WITHIN.total_seconds()
    while awaited - {(row.turn, row.format) for row in view.files} and time.monotonic() < ends:
        time.sleep(_LOOK_AGAIN_SECONDS)
        with tools.database.reading() as session:
            view = replace(view, files=tuple(rows.files(session, view.load.id, revision=view.load.revision)))
    return view


def _must_be_servable(view: LoadView, turn: int, format_name: str) -> None:
    station = view.shop.stations[view.load.station]
    if not 1 <= turn <= view.load.turns or format_name not in station.formats:
        raise NotFound(f"no {format_name} of turn {turn}", turn=turn, format=format_name)
    if LoadState(view.load.state) not in _SERVED:
        raise MoveNotAllowed(
            f"{public(LOAD, view.load.id)} is {view.load.state}; no burn file leaves now",
            state=view.load.state,
        )
    if not contents.pending(view.load, turn):
        raise AlreadyBurned(f"nothing is left to burn in turn {turn}", turn=turn)


def _lacks_a_card(view: LoadView) -> bool:
    marks = [mark for turn in view.layout.turns for fill in turn.fills for mark in fill.marks]
    return any(view.shop.process_for(view.load.station, mark.surface) is None for mark in marks)


def _build(tools: Tools, view: LoadView, turn: int, format_name: str) -> TurnFile | None:
    """Build one file and put it on record; None when the load's contents changed meanwhile."""
    built = tools.geometry.build(build, without_fonts(view.shop), view.layout, turn, format_name)
    if built.findings:
        refuse_with(view, built.findings)
    keep_or_ask_again(path_of(tools, built.sha256), built.data, built.sha256)
    load = view.load
    name = f"{public(LOAD, load.id)}-t{turn}-r{load.revision}-{built.short_code}.{format_name}"

    def record(session: Session) -> TurnFile | None:
        recorded = file_rows.find(session, load.id, turn, load.revision, format_name)
        if recorded is not None:
            if recorded.sha256 != built.sha256:
                raise StaleFile("a file built again came out differently; nothing is served", turn=turn)
            return recorded
        current = rows.lock(session, load.id)
        if current is None or current.revision != load.revision:
            return None  # the file on disk belongs to nobody
        _estimate(session, current, view.shop, built)
        row = TurnFile(
            load_id=load.id,
            turn=turn,
            revision=load.revision,
            format=format_name,
            sha256=built.sha256,
            short_code=built.short_code,
            name=name,
            burn_seconds=built.seconds,
            process=built.process[:250],
            calibration=load.calibration["calibration"],
            created_at=tools.clock(),
        )
        file_rows.add(session, row)
        return row

    return tools.database.write(record)


def _estimate(session: Session, load: Load, shop: Shop, built: Built) -> None:
    """Set a load's estimate from its file, which knows the real paths; only for loads of one turn."""
    if load.turns == 1 and load.started_at is None:
        station, units = shop.stations[load.station], len(contents.present(load, 1))
        pace = learning.paces(session).of(load.station, load.plate, built.process)
        load.burn_seconds = pace.seconds(built.seconds, units=units) + units * station.load_seconds_per_slot


def _serve(tools: Tools, row: TurnFile) -> Served:
    data = _read(tools, row.sha256)
    if data is None:
        raise StaleFile("the file was lost while it was being served; try again", turn=row.turn)
    return Served(data, row.sha256, row.name, MEDIA_TYPES[row.format])


def path_of(tools: Tools, sha256: str) -> Path:
    """Where the file with that digest lies, if it was built."""
    return tools.settings.data / "files" / sha256[:2] / sha256[2:]


def _read(tools: Tools, sha256: str) -> bytes | None:
    """The bytes of that digest, if they are on disk and unchanged."""
    try:
        data = path_of(tools, sha256).read_bytes()
    except FileNotFoundError:
        return None
    return data if hashlib.sha256(data).hexdigest() == sha256 else None


def keep_or_ask_again(path: Path, data: bytes, sha256: str) -> None:
    """`keep` for somebody who waits for an answer. Raises DatabaseBusy where the disk takes no file, as where
    the database takes no row."""
    try:
        keep(path, data, sha256)
    except OSError as error:
        log.error("file_not_kept", kind=type(error).__name__, errno=error.errno)
        raise DatabaseBusy("the file can't be written now, nothing was changed; try again") from error


def keep(path: Path, data: bytes, sha256: str) -> None:
    """Write a file so that it is there as a whole or not at all, and read it back.

    Raises OSError when what was read back is not what was written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, scratch = tempfile.mkstemp(dir=path.parent, prefix=".writing-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(scratch).replace(path)
    except BaseException:
        Path(scratch).unlink(missing_ok=True)
        raise
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)  # the name must survive a pulled plug as well as the bytes
    finally:
        os.close(folder)
    if hashlib.sha256(path.read_bytes()).hexdigest() != sha256:
        raise OSError(f"{path.name}: read back differently from what was written")
