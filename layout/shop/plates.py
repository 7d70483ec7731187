"""Fixture pallets: slots, and how each slot seats a blade (pose, tilt, height) with how much play."""

from dataclasses import dataclass

from shapely.geometry import Polygon

from layout.shop.blades import missing_name


@dataclass(frozen=True, slots=True)
class Pose:
    """Where a face's frame lies in the plate's frame: turned by `turn_deg`, then moved to x, y.

    `height_mm` is the height of the face's surface at the seat point above the plate's datum,
    `tilt_deg` how much the surface rises along the direction `tilt_towards_deg` (plate frame).
    """

    x_mm: float
    y_mm: float
    turn_deg: float
    height_mm: float
    tilt_deg: float = 0.0
    tilt_towards_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Play:
    """How far a seated unit may sit from its pose: a shift in any direction, and a tilt (rotation in the
    plane of the face, either way) about `about`, a point in the face's frame (the seat's locating pin)."""

    shift_mm: float
    tilt_deg: float
    about: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Seat:
    """One way in which a slot takes a blade: this face up, at this pose, with this play."""

    blade: str
    face: str
    pose: Pose
    play: Play


@dataclass(frozen=True, slots=True)
class Slot:
    slot: str
    outline: Polygon  # plate frame, for the guide and the pictures
    seats: tuple[Seat, ...]

    def seat(self, blade: str, face: str) -> Seat | None:
        """How this slot takes that blade with that face up, if it does."""
        return next((s for s in self.seats if s.blade == blade and s.face == face), None)


@dataclass(frozen=True, slots=True)
class Plate:
    """A fixture pallet. A shop owns `copies` of it, each calibrated on its own."""

    plate: str
    name: str
    size_mm: tuple[float, float]
    slots: tuple[Slot, ...]
    copies: tuple[str, ...]
    fiducials: tuple[tuple[float, float], ...]  # plate frame, for calibration

    def slot(self, name: str) -> Slot:
        """The slot of that name. Raises KeyError."""
        return next((s for s in self.slots if s.slot == name), None) or missing_name("slot", name)
