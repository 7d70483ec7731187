"""The shop as plain values: blades, plates, stations, inscriptions, outlines, findings, loads, hours.

Everything else in `layout` takes these values in and gives them back; nothing here computes more than a
look-up. Millimetres, degrees, seconds; y up; every face is drawn in its own frame, as the laser sees it.
Shapely geometry inside a value is never changed in place (`shapely.set_coordinates` would do that).
"""
