"""The burn file that proves a new plate: for a sheet on the plate, its name no load's."""

from __future__ import annotations

import hashlib

from layout.burn.formats import MEDIA_TYPES, WRITERS
from layout.burn.plate_proof import proof_burn, shop_of_proof
from layout.burn.turn import NotBurnable
from layout.seating.registration import nominal
from layout.shop.plates import Plate
from layout.shop.shop import Shop
from layout.shop.stations import Calibration
from service.loads.calibrations import in_force
from service.records.errors import BadRequest, NotFound
from service.requests.served import Served
from service.shop.tools import Tools


def proof_file(tools: Tools, copy: str, process: str, format_name: str) -> Served:
    """The proof of a plate copy by a process, in a format of that process's station; where the copy was
    measured there, it lies as it was measured.

    Raises NotFound for a copy, process or format that is not there, BadRequest when no proof can be made.
    """
    shop = tools.catalogue.current
    plate = next((plate for plate in shop.plates.values() if copy in plate.copies), None)
    if plate is None:
        raise NotFound("there is no such plate copy", id=copy)
    if process not in shop.processes:
        raise NotFound("there is no such process", id=process)
    station = shop.stations[shop.processes[process].station]
    if plate.plate not in station.plates:
        raise BadRequest(f"{station.station} does not take {plate.plate}", field="process")
    if format_name not in station.formats:
        raise NotFound(f"{station.station} reads no {format_name}", id=format_name)
    lie = measured_lie(tools, station.station, copy) or nominal(station, plate, copy)
    try:
        small = shop_of_proof(shop, plate)
        data, code = tools.geometry.work(build, small, plate, process, lie, format_name)
    except NotBurnable as error:
        raise BadRequest(f"no proof can be made: {error}", field="process") from error
    name = f"PLATE-PROOF-{copy}-{code}.{format_name}"
    return Served(data, hashlib.sha256(data).hexdigest(), name, MEDIA_TYPES[format_name])


def measured_lie(tools: Tools, station: str, copy: str) -> Calibration | None:
    """Where a copy was measured to lie at a station, if it was."""
    with tools.database.reading() as session:
        return in_force(session).get((station, copy))


def build(shop: Shop, plate: Plate, process: str, lie: Calibration, format_name: str) -> tuple[bytes, str]:
    """The file and its short code; runs in a geometry process."""
    recipe = shop.processes[process]
    burn = proof_burn(shop, plate, recipe, lie)
    return WRITERS[format_name](burn, shop.stations[recipe.station]), burn.short_code
