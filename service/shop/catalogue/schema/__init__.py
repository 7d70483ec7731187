"""The schema of every kind of catalogue file: unknown keys are refused, numbers have their ranges, and
every key says what it means, in which unit, with an example."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.shop.catalogue.schema.blades import BladeFile, FaceFile, KeepOutFile, KeepOutRowFile, ZoneFile
from service.shop.catalogue.schema.forms import (
    BARCODE_FORM,
    COLOUR_FORM,
    DAY_FORM,
    LAYER_FORM,
    NAME_FORM,
    SPAN_FORM,
    TIME_FORM,
    WORDS_FORM,
    CurvePath,
    FaceName,
    Shape,
    Strict,
    Weekday,
)
from service.shop.catalogue.schema.library import ArtworksFile, FontFile, FontsFile
from service.shop.catalogue.schema.plates import PlateFile, SeatFile
from service.shop.catalogue.schema.policy import AssemblyFile, CarrierFile, PolicyFile, ShiftFile
from service.shop.catalogue.schema.products import BinsFile, PhotoFile, ProductsFile
from service.shop.catalogue.schema.stations import ProcessesFile, ProcessFile, StationFile
from service.shop.catalogue.schema.stores import StoreFile, StoresFile
from service.shop.catalogue.schema.words import WordsFile

__all__ = [
    "BARCODE_FORM",
    "COLOUR_FORM",
    "DAY_FORM",
    "KINDS",
    "LAYER_FORM",
    "NAME_FORM",
    "SPAN_FORM",
    "TIME_FORM",
    "WORDS_FORM",
    "ArtworksFile",
    "AssemblyFile",
    "BinsFile",
    "BladeFile",
    "CarrierFile",
    "CurvePath",
    "FaceFile",
    "FaceName",
    "FontFile",
    "FontsFile",
    "KeepOutFile",
    "KeepOutRowFile",
    "PhotoFile",
    "PlateFile",
    "PolicyFile",
    "ProcessFile",
    "ProcessesFile",
    "ProductsFile",
    "SeatFile",
    "Shape",
    "ShiftFile",
    "StationFile",
    "StoreFile",
    "StoresFile",
    "Strict",
    "Weekday",
    "WordsFile",
    "ZoneFile",
    "json_schemas",
]

#: The folders of a catalogue and the schema of the files in each.
KINDS: Mapping[str, type[Strict]] = {
    "artwork": ArtworksFile,
    "blades": BladeFile,
    "fonts": FontsFile,
    "plates": PlateFile,
    "policy": PolicyFile,
    "processes": ProcessesFile,
    "products": ProductsFile,
    "stations": StationFile,
    "stock": BinsFile,
    "stores": StoresFile,
    "words": WordsFile,
}


def json_schemas() -> dict[str, dict[str, Any]]:
    """JSON Schema (2020-12) of every kind, for editors and other programs; by folder name."""
    return {
        kind: {"$schema": "https://json-schema.org/draft/2020-12/schema", **model.model_json_schema()}
        for kind, model in KINDS.items()
    }
