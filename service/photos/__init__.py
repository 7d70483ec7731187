"""Photos of marks, taken at inspection: made harmless, held against what was approved, shown, shared.

A photo is of one mark (a zone of a face) as one attempt burned it. What a camera wrote into the file is never
kept: the picture is drawn anew, turned upright, cut to the blade's face (`develop`, in a geometry process).
The comparison (`layout.look`) points at what looks wrong; it passes and scraps nothing. Bench and desk see
photos, the buyer only those that the desk shares. They are erased with their order.
"""
