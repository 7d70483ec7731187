"""A maker's own drawing becomes a blade's file.

read (DXF or SVG, told by what is in the file, to strokes in mm) -> layout/drawing (rings, faces) ->
blade_file (the TOML that the catalogue reads, with what a person must still look at). General formats only:
DXF as its published reference has it, SVG as the W3C's recommendation has it.
"""

from service.drawings.read import read_drawing
from service.drawings.units import UNITS, Unit, UnitNeeded

__all__ = ["UNITS", "Unit", "UnitNeeded", "read_drawing"]
