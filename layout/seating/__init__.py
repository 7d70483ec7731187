"""How a unit sits under a laser: its pose in a slot, the play it has there, focus, and the measured plate.

A frozen outline lives in the face's own frame. On its way to the laser it goes through the slot's pose
(where the blade lies on the plate) and the calibration (where that plate copy really lies at that
station).
"""
