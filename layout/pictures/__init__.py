"""Pictures for people, never for burning: proof, blades and plates, timeline, workload, guide.

A picture may carry names, colours and numbers, which a burn file must not: so the two share no writer, and
every picture of metal says that it is not for burning. Two kinds of paper lie under them: `sheet` in
millimetres with y up (metal, plates), `chart` in plain units with y down (time and work). Nothing is told by
colour alone.
"""
