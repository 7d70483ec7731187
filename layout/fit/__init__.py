"""Where a mark may lie and how large it may be.

A region is what is left of a zone after holes, margins, half the laser's line and the worst play of the
seat. The largest mark is the largest height at which the hull still has a position in that region: a
linear programme where the region is convex, inner-fit sets where it is not, cluster by cluster on a curve.
"""
