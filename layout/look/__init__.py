"""A photo of a mark, held against the mark as burned: where it lies in the photo, and what looks wrong.

It points, and decides nothing. The photo is found by the mark itself, from coarse to fine (`register`); then
each part of the mark is looked for where it must be, and what is burned beside it is looked for too
(`compare`). Values in, values out: arrays of brightness, polygons in mm.
"""
