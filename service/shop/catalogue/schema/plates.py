"""The schema of a plate's file."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from service.shop.catalogue.schema.forms import FaceName, Name, Point, Shape, Strict, Words, distinct, key


class PoseFile(Strict):
    """How a face lies in its slot: where its frame is, how high and how level its surface."""

    x_mm: float = key("Where the face's frame begins in the slot's, to the right", 0, unit="mm")
    y_mm: float = key("Where it begins, upwards", 1.5, unit="mm")
    turn_deg: float = key("By how much it is turned, counter-clockwise", 0, unit="degrees")
    height_mm: float = key("How high the surface lies above the plate's datum", 9.0, unit="mm")
    tilt_deg: float = key(
        "By how much the surface rises from level", 0.3, unit="degrees", default=0.0, ge=0, le=30
    )
    tilt_towards_deg: float = key("In which direction it rises", 180, unit="degrees", default=0.0)


class PlayFile(Strict):
    """How far a seated unit may lie from its pose. Measure it on real units with a feeler gauge or a scale:
    what is too small here becomes a mark over the edge there."""

    shift_mm: float = key("Moved, in any direction", 0.1, unit="mm", ge=0, le=5)
    tilt_deg: float = key("Turned, either way", 0.12, unit="degrees", ge=0, le=10)
    about: Point = key(
        "About which point: the locating pin, in the face's frame", [-3, 0], unit="mm", default=(0.0, 0.0)
    )


class SeatFile(Strict):
    """How slots take a blade with a face up."""

    blade: Name = key("Which blade", "chef-20", names="blades")
    face: FaceName = key("Which of its faces is up", "mark_side")
    slots: list[Name] | None = key(
        "The slots that take it so; left out: all", ["1", "2"], names="slots", default=None
    )
    pose: PoseFile = key("How it lies in the slot", {"x_mm": 0, "y_mm": 1.5, "turn_deg": 0, "height_mm": 9.0})
    play: PlayFile = key("How far it may be off", {"shift_mm": 0.1, "tilt_deg": 0.12, "about": [-3, 0]})


class PlateFile(Strict):
    """A fixture pallet: slots, and what each takes. One file for each; x and y from its lower left corner."""

    plate: Name = key("Its name in other files", "long")
    name: Words = key("Its name for people", "Long plate, twelve knives")
    size_mm: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]] = key(
        "Width and height", [400, 190], unit="mm"
    )
    copies: Annotated[list[Name], Field(min_length=1), AfterValidator(distinct)] = key(
        "Each plate made alike, by the name on its label", ["long-1", "long-2"]
    )
    slot_outline: Shape = key(
        "The shape of every slot, in the slot's frame", {"rect": [-105, -13.6, 82, 13.6]}
    )
    fiducials: list[Point] = key(
        "Marks on the plate that the pointer can be driven to: far apart, not in one line",
        [[6, 6], [354, 8], [354, 292]],
        unit="mm",
        min_length=2,
        max_length=9,
    )
    slots: list[tuple[Name, float, float, float]] = key(
        "Each slot's name, and where its frame lies on the plate: x, y, turn",
        [["1", 110, 25, 0], ["2", 290, 25, 180]],
        unit="millimetres and degrees",
        min_length=1,
        max_length=200,
    )
    seat: list[SeatFile] = key(
        "What the slots take, each a table [[seat]]",
        [
            {
                "blade": "chef-20",
                "face": "mark_side",
                "pose": {"x_mm": 0, "y_mm": 1.5, "turn_deg": 0, "height_mm": 9.0},
                "play": {"shift_mm": 0.1, "tilt_deg": 0.12},
            }
        ],
        min_length=1,
    )
