"""The shop as plain values: blades, plates, stations, inscriptions, outlines, findings, loads, hours.

What the shop owns and what a buyer asks for, before anything is computed. A blade has faces, a face has
zones; a plate has slots, a slot seats a blade with one face up; a station burns a plate, by a process for
each material.

Everything else in `layout` takes these values in and gives them back; nothing here computes more than a
look-up. Millimetres, degrees, seconds; y up; every face is drawn in its own frame, as the laser sees it.
Shapely geometry inside a value is never changed in place (`shapely.set_coordinates` would do that).
"""
