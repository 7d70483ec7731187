"""A maker's own drawing as values: strokes, what is chosen of them, and the faces that they make.

strokes (what a reader hands over, in mm, y up) -> rings (lines that meet are joined, what stays open or
crosses itself is refused with its place) -> faces (outline, holes, keep-outs, zones with their baselines,
each on its side). Files are read and written in `service/drawings`.
"""
